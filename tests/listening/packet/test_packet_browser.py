"""Packets in a real browser: opened from disk, heard, answered, and taken in."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser
from scipy.signal import correlate

from listening.counts import REASONS
from listening.packet.collect import collect
from listening.packet.packet_file import write_packet
from sessions.records import ListenRecord
from sessions.study import Study
from tests.browser import end_round, hear, open_page, sit_down, sounding_browser, stall_in_the_middle, start
from tests.far_listener import listens
from tests.heard import Integers, loudness_lufs, sounding_render
from tests.page_study import copied, rendered, rendered_long, rendered_short
from tests.pulse import NullSink, sink
from tests.stalls import not_stalled

__all__ = ["rendered", "rendered_long", "rendered_short", "sink", "sounding_browser"]
pytestmark = [pytest.mark.browser, pytest.mark.device]


def test_a_packet_is_opened_from_disk_answered_and_collected(
    sounding_browser: Browser, sink: NullSink, rendered: Path, tmp_path: Path
) -> None:
    study = copied(rendered, tmp_path / "study")
    path = write_packet(study, "ana")
    moved = tmp_path / "far away" / "päckchen.html"
    moved.parent.mkdir()
    shutil.copy(path, moved)
    with open_page(sounding_browser, moved.as_uri(), offline=True) as page, sink.recording() as tape:
        sit_down(page)
        start(page)
        page.reload()
        page.locator("#notice").get_by_text("The page was loaded again while").wait_for()
        page.locator("#hello-go").click()
        for number, value in enumerate(("71", "35,5", "100")):
            hear(page)
            page.locator("#overall").fill(value)
            page.locator("#whole").fill("ganz <i>gut</i> 好")
            if number == 1:
                page.reload()
                page.locator("#rate-form").wait_for()
                assert page.locator("#overall").input_value() == value
            page.locator("#rate-keep").click()
            if number == 1:
                page.locator("#hello-go").click()
        end_round(page)
        with page.expect_download() as download:
            page.locator("#rest-save").click()
        download.value.save_as(tmp_path / "answers.json")
        assert download.value.suggested_filename == "answers-ana-round-1.json"
    collected = collect(study, tmp_path / "answers.json")
    void, *counted = not_stalled(listens(study))
    assert (collected.taken, collected.refused, collected.round_complete) == (len(listens(study)), 0, True)
    assert [x.rating for x in counted] == [71, 35.5, 100]
    assert {x.comments for x in counted} == {((None, "ganz <i>gut</i> 好"),)}
    assert void.void_reason == REASONS["left"] and void.form_id == counted[0].form_id
    assert len(counted) == 3 and len({x.code for x in listens(study)}) == len(listens(study))
    np.testing.assert_array_equal(
        last_of(tape.integers(), study, counted[-1]), sounding_render(study, counted[-1])
    )


def test_a_small_packet_sounds_as_loud_and_what_there_is_can_be_saved(
    sounding_browser: Browser, sink: NullSink, rendered_short: Path, tmp_path: Path
) -> None:
    study = copied(rendered_short, tmp_path / "study")
    path = write_packet(study, "ana", small=True)
    assert path.stat().st_size < 0.5 * sum(
        (study.folder / f.wav).stat().st_size for f in study.manifest.forms
    )
    with open_page(sounding_browser, path.as_uri(), offline=True) as page, sink.recording() as tape:
        sit_down(page)
        hear(page)
        page.locator("#overall").fill("50")
        page.locator("#rate-keep").click()
        page.locator("#listen").wait_for()
        with page.expect_download() as download:
            page.locator("#save-now").click()
        download.value.save_as(tmp_path / "answers.json")
    collected = collect(study, tmp_path / "answers.json")
    assert (collected.taken, collected.refused, collected.round_complete) == (len(listens(study)), 0, False)
    (listen,) = not_stalled(listens(study))
    played = loudness_lufs(last_of(tape.integers(), study, listen))
    assert played == pytest.approx(loudness_lufs(sounding_render(study, listen)), abs=0.1)


SHARING = """
navigator.canShare = ({ files }) => files.every((file) => file.name.endsWith(".txt"));
navigator.share = async ({ files }) => { window.shared = [files[0].name, await files[0].text()]; };
"""  # as a device does whose share sheet takes texts only (Web Share API); Chromium has none here


def test_a_packet_asks_about_a_stumble_and_its_answer_goes_through_a_share_sheet(
    sounding_browser: Browser, rendered_long: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("listening.local.level.LEVEL_CHECK_S", 0.6)
    study = copied(rendered_long, tmp_path / "study")
    path = write_packet(study, "ana")
    with open_page(sounding_browser, "about:blank") as page:
        page.add_init_script(SHARING)
        page.goto(path.as_uri())
        sit_down(page)
        stall_in_the_middle(page, 1.4)
        page.locator("#judge-count").click(timeout=40_000)
        for number in range(3):
            if number > 0:
                hear(page)
            page.locator("#overall").fill(str(40 + number))
            page.locator("#rate-keep").click()
        page.locator("#review-stand").click()
        page.locator("#questions-cuts input").first.check()
        page.locator("#questions-done").click()
        page.locator("#rest-share").click()
        page.locator("#notice").get_by_text("Make sure that it was sent").wait_for()
        name, answers = page.evaluate("shared")
    assert name == "answers-ana-round-1.json.txt"
    (tmp_path / name).write_text(answers, encoding="utf-8")
    collected = collect(study, tmp_path / name)
    assert collected.refused == 0 and collected.round_complete
    first, *_ = not_stalled(listens(study))
    assert first.could_judge is True and 0.3 < first.late_s <= 2 and first.rating == 40
    (round_,) = study.log.contents().rounds
    assert round_.answers is not None and round_.answers.cuts == (first.id,)


def last_of(played: Integers, study: Study, listen: ListenRecord) -> Integers:
    """Where in a recording a form was played, as long as the form; found by correlation."""
    render = sounding_render(study, listen)
    likeness = correlate(played[:, 0].astype(float), render[:, 0].astype(float), mode="valid", method="fft")
    start = int(np.argmax(likeness))
    return played[start : start + len(render)]
