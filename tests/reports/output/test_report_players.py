"""The report's players play what was rendered: recorded at a null sink and compared."""

from __future__ import annotations

import math
import shutil
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from playwright.sync_api import Browser, Locator, Page, expect
from scipy.signal import correlate

from render.renders.copies import opus_copies
from reports.facts.study_facts import gather
from reports.output.decide import reopen
from reports.output.report import write_report
from reports.output.sound import SoundOptions
from sessions.study import Study
from tests.browser import open_page, sounding_browser
from tests.clocks import EVENING_UTC, SetClock
from tests.heard import Integers, sounding, without_gaps
from tests.page_study import make_study
from tests.pulse import NullSink, sink
from tests.report_studies import hear, likes
from tests.stalls import machine

__all__ = ["sink", "sounding_browser"]
pytestmark = pytest.mark.browser
Floats = NDArray[np.float64]
FORM = "upside down"
RATE = 48000
FADE = 240  # frames: 5 ms
OPUS_DB = 40.0  # two decoders of one Opus file may round differently


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """Forms of some four seconds in bars of one; one comment at 3.0 s; opened."""
    made = make_study(tmp_path_factory.mktemp("players") / "study", SetClock(EVENING_UTC))
    hear(
        made, likes(upside_down=70), rounds=1,
        says=lambda who, form, _n: [(2.75, "here")] if (who, form) == ("ana", FORM) else [],
    )  # fmt: skip
    return made


@pytest.fixture(scope="module")
def page_file(study: Study) -> Iterator[Path]:
    yield written(study, SoundOptions())


def written(study: Study, options: SoundOptions) -> Path:
    return next(path for path in write_report(study, sound=options).paths if path.name == "report.html")


def render_of(study: Study, name: str, from_s: float = 0.0) -> Integers:
    form = next(form for form in study.manifest.forms if form.name == name)
    audio = soundfile.read(study.folder / form.wav, dtype="int32", always_2d=True)[0]
    return np.asarray(audio[round(from_s * RATE) :])


def recorded(page: Page, sink: NullSink, button: Locator) -> Integers:
    """What a click plays, to the end of the form."""
    with sink.recording() as tape:
        button.click()
        player = page.locator("#player-stop")
        expect(player).to_have_text("Stop")
        expect(player).to_have_text("Go on", timeout=30_000)
    return tape.sounding()


def assert_same(got: Integers, wanted: Integers) -> None:
    """Sample for sample, but for the browser's own fade of 5 ms where a sound begins (measured), and for
    silence that a sound server left waiting by a busy machine puts in."""
    got, wanted = without_gaps(got), without_gaps(sounding(wanted))
    assert 0 <= len(wanted) - len(got) <= 2  # a first sample may fade to nothing
    wanted = wanted[len(wanted) - len(got) :]
    assert np.array_equal(got[FADE:], wanted[FADE:])
    assert (np.abs(got[:FADE].astype(np.int64)) <= np.abs(wanted[:FADE].astype(np.int64)) + 256).all()


def test_forms_parts_joins_and_comments_play_sample_for_sample(
    sounding_browser: Browser, sink: NullSink, study: Study, page_file: Path
) -> None:
    """Bars of one second, bar 1 at 0.25 s: part 2 begins at 1.25 s, a comment at 3.0 s is in bar 3 and plays
    from bar 2 on, and so does the join at bar 3 (2.25 s)."""
    with open_page(sounding_browser, page_file.as_uri()) as page:
        for at, form in enumerate(gather(study).forms):
            sheet = page.locator("#forms .road-map").nth(at)
            got = recorded(page, sink, sheet.get_by_role("button", name="hear it whole"))
            assert_same(got, render_of(study, form.name))
        sheet = page.locator("#forms .road-map").nth(1)
        part = recorded(page, sink, sheet.get_by_role("button", name="middle"))
        assert_same(part, render_of(study, FORM, 1.25))
        expect(page.locator("#player-place")).to_have_text("bar 3 of 3")
        comment = page.locator("#said").get_by_role("button", name="bar 3 (0:03)")
        assert_same(recorded(page, sink, comment), render_of(study, FORM, 1.25))
        page.get_by_text("Every join", exact=True).click()
        row = page.locator("#sound tr", has_text=FORM).filter(has_text="low").first
        assert_same(recorded(page, sink, row.get_by_role("button")), render_of(study, FORM, 1.25))


def test_one_file_holds_its_sound_and_opus_is_as_good_as_opus_is(
    sounding_browser: Browser, sink: NullSink, study: Study, tmp_path: Path
) -> None:
    """The page alone, elsewhere, compared with what libsndfile's decoder makes of the same Opus file."""
    alone = tmp_path / "report.html"
    shutil.copy(written(study, SoundOptions(inside=True, small=True)), alone)
    assert not (study.folder / "report" / "audio").exists()
    opus = opus_copies(study.folder, study.manifest, tmp_path)
    form = next(form for form in study.manifest.forms if form.name == FORM)
    decoded = soundfile.read(opus.paths[form.content_hash], dtype="float64", always_2d=True)[0]
    with open_page(sounding_browser, alone.as_uri()) as page:
        sheet = page.locator("#forms .road-map").nth(1)
        since = time.time()
        tape = recorded(page, sink, sheet.get_by_role("button", name="hear it whole"))
        broke_off = machine().stood_still(since, time.time())
        got = without_gaps(tape) / 2**31
    got, decoded = got[:, 0], decoded[:, 0]
    block = RATE // 10
    decibels = [
        like_db(got[at : at + block], decoded) for at in range(RATE // 2, len(got) - RATE // 2, block)
    ]
    assert len(decibels) > 20
    assert np.mean(np.array(decibels) > OPUS_DB) >= (0.85 if broke_off else 1.0), decibels


def like_db(block: Floats, wanted: Floats) -> float:
    """How far below a block the difference from the likeliest place of `wanted` lies.

    A busy machine's sound breaks off for some milliseconds and goes on; what comes before and after is right.
    """
    power = correlate(wanted**2, np.ones(len(block)), mode="valid")
    at = int(np.argmin(power - 2 * correlate(wanted, block, mode="valid")))
    error = block - wanted[at : at + len(block)]
    return 10 * math.log10(float(np.sum(block**2)) / max(float(np.sum(error**2)), 1e-12))


def test_a_sealed_report_has_no_sound_and_reopening_takes_it_away(tmp_path: Path) -> None:
    study = make_study(tmp_path / "study", SetClock(EVENING_UTC))
    hear(study, likes(), rounds=1, finish=False)
    page = written(study, SoundOptions()).read_text(encoding="utf-8")
    audio = study.folder / "report" / "audio"
    assert not audio.exists() and "player" not in page.split("</style>")[1] and "hear it" not in page
    study.log.add_event("opened", {"why": "all planned rounds are done"})
    assert "hear it whole" in written(study, SoundOptions()).read_text(encoding="utf-8")
    assert [path.name for path in sorted(audio.iterdir())] == [
        "1 as written.flac", "2 upside down.flac", "3 no middle at all.flac",
    ]  # fmt: skip
    reopen(study, "one more evening")
    assert not audio.exists()
    for path in (study.folder / "report").iterdir():
        assert "upside down" not in path.read_text(encoding="utf-8"), path.name


def test_a_report_without_its_renders_says_so_and_stands(tmp_path: Path) -> None:
    study = make_study(tmp_path / "study", SetClock(EVENING_UTC))
    hear(study, likes(), rounds=1)
    written(study, SoundOptions())
    (study.folder / study.manifest.forms[1].wav).unlink()
    (study.folder / study.manifest.forms[1].wav).with_suffix(".flac").unlink()
    page = written(study, SoundOptions()).read_text(encoding="utf-8")
    assert "Nothing can be heard here" in page and "hear it whole" not in page
    assert not (study.folder / "report" / "audio").exists()
