"""Renders and manifests that are lost or damaged: one message, no rating lost, and a way on that works."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from listening.packet.collect import collect
from listening.packet.packet_file import write_packet
from listening.page.host import prepare
from listening.page.server import create_app
from listening.page.session import PageSessions
from listening.rounds import enter_round
from render.errors import FairhearingError
from render.renders.manifest import manifest_path
from render.renders.render_forms import render_forms
from sessions.study import Study
from tests.clocks import SetClock
from tests.command_line import told
from tests.far_listener import Far
from tests.page_request import ask
from tests.short_study import FORMS, SHORT, again, do_round, hear, rendered
from tests.songs import make_study

DECIDE = ("decide", "turned", "--because", "it lifts", "--yes")
ANEW = "run `fairhearing render`"


def the_wav(study: Study, name: str = "turned") -> Path:
    return study.folder / next(form.wav for form in study.manifest.forms if form.name == name)


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:300])


def no_manifest(study: Study) -> None:
    for path in (study.folder / "renders").glob("manifest*"):
        path.unlink()


def cut_manifests(study: Study) -> None:
    for path in (study.folder / "renders").glob("manifest*"):
        cut(path)


def cut_current(study: Study) -> None:
    cut(manifest_path(study.folder))


def cut_that_of_the_round(study: Study) -> None:
    cut(manifest_path(study.folder, study.manifest.set_id))


def no_renders(study: Study) -> None:
    shutil.rmtree(study.folder / "renders")


def no_wav(study: Study) -> None:
    the_wav(study).unlink()


def flipped_wav(study: Study) -> None:
    path = the_wav(study)
    content = bytearray(path.read_bytes())
    content[9000] ^= 4
    path.write_bytes(content)


Damage = Callable[[Study], None]
WITHOUT = "nothing is rendered yet"
GONE = "renders/manifest.json"
SAID: dict[Damage, dict[str, str]] = {  # what each command says; commands that are not named go on
    no_manifest: {"report": f"there is no .*{GONE}", "decide": f"there is no .*{GONE}", "packet": GONE},
    cut_manifests: {"report": f"{GONE} is damaged", "decide": f"{GONE} is damaged", "packet": GONE},
    cut_current: {"report": f"{GONE} is damaged", "decide": f"{GONE} is damaged", "packet": GONE},
    cut_that_of_the_round: {},
    no_renders: {"report": WITHOUT, "decide": WITHOUT, "packet": WITHOUT},
    no_wav: {"decide": r"\.wav is missing", "packet": r"\.wav is missing"},
    flipped_wav: {"decide": "not what was measured; delete it", "packet": "not what was measured; delete it"},
}


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A round heard, another begun."""
    clock = SetClock()
    study = rendered(tmp_path_factory.mktemp("lost") / "study", clock)
    do_round(study, "ana")
    clock.forward(days=1)
    hear(study, enter_round(study, "ana"), rating=64)
    return study.folder


@pytest.fixture
def study(whole: Path, tmp_path: Path) -> Study:
    shutil.copytree(whole, tmp_path / "study")
    clock = SetClock()
    clock.forward(days=1)
    return Study(tmp_path / "study", clock)


@pytest.mark.parametrize("damage", SAID, ids=lambda damage: damage.__name__)
def test_every_command_says_what_is_lost_and_render_brings_it_back(study: Study, damage: Damage) -> None:
    before = study.log.contents()
    wav = the_wav(study)
    damage(study)
    shown = told(study.folder, "status")
    assert ("1 of 2" in shown) and (ANEW in shown) == (damage in (no_manifest, cut_manifests, cut_current))
    for command in (("report",), ("packet", "ana", "--any-day"), DECIDE):
        expected = SAID[damage].get(command[0])
        if expected is None:
            if command != DECIDE:  # the decision comes last, when all is there again
                told(study.folder, *command)
            continue
        said = told(study.folder, *command, code=1).replace("\n", " ")
        assert re.search(expected, said) and ANEW in said, said
        assert "Traceback" not in said
    now = again(study).log.contents()
    assert (now.listens, now.opened) == (before.listens, None), "nothing is lost, nothing was opened"
    if damage is flipped_wav:
        wav.unlink()
    told(study.folder, "render")
    told(study.folder, "report")
    round_ = enter_round(again(study), "ana", any_day=True)
    kept = [x.rating for x in study.log.contents().listens]
    assert kept == [x.rating for x in before.listens]
    if damage in (no_wav, flipped_wav, cut_current, cut_that_of_the_round):
        assert round_.state.number == 2 and len(round_.state.rated) == 1, "the round goes on where it was"
    while round_.next_demand is not None:
        hear(again(study), round_)
    assert again(study).log.contents().listens[: len(kept)] == before.listens
    told(study.folder, *DECIDE)


def test_a_round_whose_files_are_lost_for_good_gives_way_to_the_next(study: Study) -> None:
    """song.toml has changed since, so that no render makes the files anew that the open round plays."""
    lost = the_wav(study, "as written")
    forms = {"turned": ["b", "a"], "first": ["a bars 1", "b"]}
    make_study(study.folder, **SHORT | {"forms": forms, "plan": {"rounds": 2, "days": 2}}, gain=0.5)
    told(study.folder, "render")
    lost.unlink()
    before = study.log.contents()
    fresh = again(study)
    said: list[str] = []
    prepare(fresh, create_app(fresh), said.append)
    after = study.log.contents()
    assert after == before, "nothing ends before its listener comes: a packet may be on its way"
    assert "open round cannot go on, because the sound it was to play is lost" in "\n".join(said).lower()
    state = ask(PageSessions(fresh, any_day=True).state)
    assert (state.stage, state.round) == ("ready", 2), "of those that count"
    assert study.log.contents() == before, "asking where one stands writes nothing"
    assert enter_round(again(study), "ana", any_day=True).next_demand is not None
    after = study.log.contents()
    assert (after.listens, [r.complete for r in after.rounds]) == (before.listens, [True, False, None])


def test_renders_that_are_away_for_a_moment_end_no_round(study: Study) -> None:
    page = PageSessions(study)
    assert ask(page.state).stage == "listen"
    (study.folder / "renders").rename(study.folder / "away")
    for _ in range(2):
        with pytest.raises(FairhearingError):
            ask(page.state)
    (study.folder / "away").rename(study.folder / "renders")
    assert ask(page.state).stage == "listen"


def test_answers_from_afar_are_taken_in_though_what_they_answer_is_lost(study: Study) -> None:
    clock = study.clock
    assert isinstance(clock, SetClock)
    far = Far(write_packet(study, "bo"), clock())
    clock.forward(days=2)
    far.hear_all()
    cut_manifests(study)
    said = told(study.folder, "collect", str(far.file(study.folder / "answers.json")), code=1)
    assert ANEW in said, "once more after that"
    told(study.folder, "render")
    collected = collect(again(study), study.folder / "answers.json")
    assert (collected.taken, collected.refused, collected.round_complete) == (3, 0, True), collected.lines
    assert "lost" in "\n".join(collected.lines)
    assert [x.rating for x in study.log.contents().listens_of("bo")] == [11, 22, 33]


def test_a_lost_render_is_made_again_under_its_name(tmp_path: Path) -> None:
    """Rounds in progress look for it there, also after the song has moved on."""
    study = rendered(tmp_path)
    before = study.manifest
    lost = tmp_path / before.forms[1].wav
    whole = lost.read_bytes()
    lost.unlink()
    assert render_forms(again(study).song, keep_sets=lambda: {before.set_id}) == before
    assert lost.read_bytes() == whole
    lost.write_bytes(whole[:1000])
    assert render_forms(again(study).song, keep_sets=lambda: {before.set_id}) == before
    assert lost.read_bytes() == whole


def test_nobody_is_unblinded_without_being_asked(tmp_path: Path) -> None:
    study = rendered(tmp_path)
    do_round(study, "ana")
    words = "Rounds are still open: .* Add --yes to do it all the same"
    for command in (DECIDE[:-1], ("report", "--open")):
        assert re.search(words, " ".join(told(tmp_path, *command, code=1).split()))
        assert again(study).log.contents().opened is None


def test_a_form_that_replaces_what_never_was(tmp_path: Path) -> None:
    study = rendered(tmp_path)
    do_round(study, "ana")
    forms: dict[str, Any] = {
        "twice": FORMS["twice"],
        "newer": {"parts": ["b", "a bars 1"], "replaces": "turnd"},
    }
    make_study(tmp_path, **SHORT | {"forms": forms})
    for command in ("check", "render"):
        said = told(tmp_path, command, code=1)
        assert (
            'forms."newer" replaces "turnd", but there never was such a form; did you mean "turned"?' in said
        )
    forms["newer"]["replaces"] = "turned"
    make_study(tmp_path, **SHORT | {"forms": forms})
    said = " ".join(told(tmp_path, "render").split())
    assert '"newer" takes over how familiar it had become' in said and "starts anew" not in said
