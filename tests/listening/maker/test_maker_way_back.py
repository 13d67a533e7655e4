"""The way back on the page: steps by their ids, heard before and after, ticks that last, one download."""

from __future__ import annotations

import io
import json
import re
import zipfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from render.arrays import Audio
from render.renders.manifest import RenderedForm
from reports.facts.study_facts import gather
from reports.way_back.package import step_id, way_back
from tests.maker import MakerPage, hear_one, maker_page
from tests.page_study import copied, rendered

__all__ = ["rendered"]

FORM, WHY = "upside down", "it lifts"
LSB_24 = 2.0**-23


@pytest.fixture
def page(rendered: Path, tmp_path: Path) -> Iterator[MakerPage]:
    """The page of a study in which a form was rated, then one decided on."""
    study = copied(rendered, tmp_path / "study")
    with maker_page(study.folder) as running:
        hear_one(study, "ana", 50.0, "a word")
        running.do("decide", {"form": FORM, "by": "ana", "because": WHY}, "verdict")
        running.wait("decide")
        read(running)
        yield running


def read(page: MakerPage) -> str:
    """The verdict's sheet once the ratings are read."""
    page.sheet("verdict")
    page.wait("verdict")
    return str(page.sheet("verdict")["html"])


def render_of(page: MakerPage) -> tuple[RenderedForm, Audio]:
    form = next(form for form in page.study.manifest.forms if form.name == FORM)
    samples: Audio = soundfile.read(page.folder / form.wav, dtype="float32", always_2d=True)[0]
    return form, samples


def heard(page: MakerPage, kind: str, **asked: object) -> Audio:
    answer = page.ask("GET", f"/api/sound/{kind}", params=asked)
    assert answer.status_code == 200, answer.text
    return np.frombuffer(answer.content, "<f4").reshape(-1, int(answer.headers["Fair-Channels"]))


def test_before_is_the_bounce_and_after_is_the_form(page: MakerPage) -> None:
    """Sample for sample: the bounce's own file, and the render of the form before its gain, both around the
    place that the rebuild sheet names (what listeners heard is the same within one step of 24 bit)."""
    manifest, facts = page.study.manifest, gather(page.study)
    way = way_back(facts)
    assert way is not None
    html = read(page)
    form, rendered_samples = render_of(page)
    bounce = soundfile.read(page.folder / "bounce.wav", dtype="float32", always_2d=True)[0]
    steps = way.sheet.steps
    assert steps, "it is another order, so there are steps"
    for step in steps:
        button = re.search(
            rf'id="before-{step_id(way, step)}"[^>]*data-from="(\d+)" data-frames="(\d+)"', html
        )
        assert button, step
        first, frames = int(button[1]), int(button[2])
        bounce_s = step.edit.start.bounce_s if step.edit.start else None
        if bounce_s is not None:
            assert first <= round(bounce_s * manifest.sample_rate) <= first + frames
        assert np.array_equal(
            heard(page, "song", **{"from": first, "frames": frames}), bounce[first : first + frames]
        )
        after = heard(page, "after", step=step_id(way, step))
        gain = 10 ** (form.gain_db / 20)
        at = round((float(step.form_s) + manifest.lead_s) * manifest.sample_rate)
        ends = [at - shift for shift in range(len(after))]
        place = find(rendered_samples, after * gain)
        assert place is not None and place in ends, step


def find(whole: Audio, piece: Audio) -> int | None:
    """Where in `whole` a piece lies, to within one step of 24 bit."""
    for start in range(len(whole) - len(piece) + 1):
        if abs(whole[start, 0] - piece[0, 0]) <= LSB_24 and np.allclose(
            whole[start : start + len(piece)], piece, rtol=0, atol=LSB_24
        ):
            return start
    return None


def test_ticks_last_and_are_entries_of_the_log(page: MakerPage) -> None:
    html = read(page)
    assert f"“{FORM}”, says ana" in html and WHY in html
    step = re.findall(r'id="tick-([0-9a-f]{12})"', html)[0]
    page.do("tick", {"step": step, "done": True}, "verdict")
    answer = page.try_("tick", {"step": "edit 999", "done": True}, "verdict")
    assert answer.status_code == 422
    event = page.study.log.contents(listens=False).events[-1]
    assert (event.kind, event.detail["step"]) == ("step ticked", step) and event.detail["words"]
    with maker_page(page.folder) as again:  # the server anew: what was ticked stays ticked
        assert "checked" in read(again).partition(f'id="tick-{step}"')[2][:200]
    page.do("tick", {"step": step, "done": False}, "verdict")
    assert "checked" not in read(page).partition(f'id="tick-{step}"')[2][:200]


def test_a_report_that_lacks_the_decision_says_so(page: MakerPage) -> None:
    """Killed between the decision's entry and the report's last file, or decided elsewhere meanwhile."""
    path = page.folder / "report" / "verdict.json"
    assert "written before what is recorded" not in read(page)
    path.write_text(json.dumps(json.loads(path.read_text()) | {"decisions": []}))
    assert "written before what is recorded" in page.sheet("verdict")["html"]
    page.do("report", {}, "verdict")
    page.wait("report")
    assert "written before what is recorded" not in read(page)


def test_the_download_is_what_was_said_and_nothing_is_heard_once_sealed_again(page: MakerPage) -> None:
    html = read(page)
    step = re.findall(r'id="after-([0-9a-f]{12})"', html)[0]
    ticket = page.ask("POST", "/api/ticket/way-back", json={}).json()["ticket"]
    content = page.client.get(f"/file/{ticket}").content
    with zipfile.ZipFile(io.BytesIO(content)) as zipped:
        names = {Path(name).name for name in zipped.namelist()}
        size = sum(info.file_size for info in zipped.infolist())
    assert {"rebuild.md", "rebuild.csv", "rebuild.mid", "re-record.md", "re-record.csv"} < names
    said = re.search(r"One ZIP of (\d+) (MB|kB)", html)
    assert said and int(said[1]) == round(size / {"MB": 1e6, "kB": 1e3}[said[2]])
    page.do("reopen", {"because": "another round"}, "verdict")
    answer = page.ask("GET", "/api/sound/after", params={"step": step})
    assert answer.status_code in (403, 404)
    assert FORM not in page.sheet("verdict")["html"], "sealed again: what was read is not shown"


def test_a_decision_that_fails_keeps_what_was_written(page: MakerPage) -> None:
    page.do("reopen", {"because": "another round"}, "verdict")
    (page.folder / page.study.manifest.forms[1].wav).rename(page.folder / "away.wav")
    (page.folder / page.study.manifest.forms[2].wav).rename(page.folder / "away too.wav")
    page.do("open_study", {"early": True}, "verdict")
    page.wait("report")
    read(page)
    page.do("decide", {"form": FORM, "by": "bo", "because": "a long text"}, "verdict")
    with pytest.raises(AssertionError, match="missing"):
        page.wait("decide")
    html = read(page)
    assert "a long text" in html and 'value="bo"' in html and "missing" in html
    kinds = [event.kind for event in page.study.log.contents(listens=False).events]
    assert kinds.count("decided") == 1, "only the first"
