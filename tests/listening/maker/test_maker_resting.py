"""Sealed while forms rest: two studies that differ only in which forms were rated low, and so rest, look
alike to their maker, who listens too, has a round open, and sees another listener rate meanwhile."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from listening.rounds import Round, enter_round
from reports.facts.panel_reading import read_panel
from sessions.resting import resting_hashes
from sessions.study import Study
from tests.clocks import EVENING_UTC, Ticking
from tests.maker import MakerPage, hear_one, maker_page, rare_codes, without_outlook
from tests.page_study import SONG_TOML, copied, make_study

__all__ = ["rare_codes"]

FORMS = ("as written", "upside down", "no middle at all", "twice low", "high first")
TOML = (
    SONG_TOML.replace(
        "\n[listeners]",
        '"twice low" = ["low", "low", "high"]\n"high first" = ["high", "low", "middle"]\n\n[listeners]',
    )
    .replace('"Zoë <b>" = {}\n', "")
    .replace("rounds = 2", "rests = true\nrounds = 12")
)
ROUNDS = 5
SHEETS = ("song", "sections", "forms", "listeners", "rounds", "verdict")


@pytest.fixture(scope="module")
def begun(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The study before its first round, its seed drawn: two copies have the same orders."""
    study = make_study(tmp_path_factory.mktemp("resting") / "study", bar_s=0.2, toml=TOML)
    study.log.secret("plan_seed")
    return study.folder


def heard(folder: Path, low: tuple[str, str]) -> Study:
    """Rounds of both listeners, who want neither of two forms and rate the others alike."""
    study = Study(folder, Ticking(EVENING_UTC), reader=read_panel)
    assert isinstance(study.clock, Ticking)
    for number in range(ROUNDS):
        study.clock.forward(hours=24)
        for name in ("ana", "bo"):
            round_ = enter_round(study, name, any_day=True)
            sitting = study.log.sit_down(name, "headphones", "page")
            for demand in round_.demands:
                listen = round_.begin(demand, sitting)
                study.log.end_listen(listen.id, demand.render.frames)
                wanted = 22.0 if demand.render.name in low else 71.0
                study.log.rate(listen.id, {"overall": wanted + number % 4})
            Round(study, name).finish()
    study.clock.forward(hours=24)
    return study


def received(page: MakerPage, study: Study) -> tuple[dict[str, str], list[str]]:
    """What the browser gets while ana's round is open and bo rates; and what it must not be told."""
    secrets = []
    for name, words in (("ana", "zzyzx guitars"), ("bo", "qwvx ending")):
        round_, code = hear_one(study, name, 83.0, words)
        secrets += [str(code), words, json.dumps(list(round_.record.order))]
    for sheet, kind in (("sections", "levels"), ("forms", "joins"), ("verdict", "verdict")):
        page.sheet(sheet)
        page.wait(kind)
    got = {sheet: page.ask("GET", f"/api/sheet/{sheet}").text for sheet in SHEETS}
    got["report"] = page.try_("report", sheet="verdict").text
    page.wait("report")
    ticket = page.ask("POST", "/api/ticket/report", json={}).json()["ticket"]
    got["report in its frame"] = page.client.get(f"/report/{ticket}/report.html").text
    got["pulse"] = ",".join(sorted(page.ask("GET", "/api/pulse").json()["jobs"]))
    for form in FORMS[1:]:
        for kind in ("join", "as-it-was", "after"):
            answer = page.ask("GET", f"/api/sound/{kind}", params={"form": form, "index": "0", "step": "0"})
            assert answer.status_code in (403, 404), "joins of forms in planned rounds, resting ones too"
            got[f"{kind} {form}"] = answer.text
    return got, secrets


def alike(text: str) -> str:
    """Without what differs from run to run: hashes and times of day."""
    text = re.sub(r"[0-9a-f]{16,64}", "", without_outlook(text))
    return re.sub(r"\d\d:\d\d(:\d\d)?", "", text)


@pytest.mark.usefixtures("rare_codes")
def test_which_forms_rest_reaches_the_makers_browser_by_nothing(begun: Path, tmp_path: Path) -> None:
    seen = []
    for place, low in (("one", ("twice low", "high first")), ("two", ("upside down", "no middle at all"))):
        study = heard(copied(begun, tmp_path / place).folder, low)
        by_hash = {form.content_hash: form.name for form in study.log.contents().forms}
        assert {by_hash[x] for x in resting_hashes(study.log.contents().events)} == set(low)
        with maker_page(study.folder, clock=study.clock) as page:
            got, secrets = received(page, study)
            assert "2 forms rest" in got["rounds"], "that they do is told, not which"
            for secret in secrets:
                sent = " ".join(got.values())
                assert secret not in (re.split(r"\W+", sent) if secret.isdigit() else sent), secret
        seen.append({name: alike(text) for name, text in got.items()})
    for name in seen[0]:
        if name not in ("verdict", "report", "report in its frame"):
            assert seen[0][name] == seen[1][name], name
    for name in ("verdict", "report", "report in its frame"):  # how sure the state is may differ
        for form in FORMS[1:]:
            assert seen[0][name].count(form) == seen[1][name].count(form), (name, form)
