"""What is heard on the maker's page, recorded at the device: the click on the grid, a join as rendered."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from playwright.sync_api import Browser, Page
from scipy.signal import correlate

from render.audio.click import click_track
from render.joins.excerpts import join_excerpt
from render.song.song import load_song
from tests.browser import open_page, sounding_browser, until
from tests.heard import Integers, without_gaps
from tests.maker import maker_page
from tests.pulse import NullSink, sink
from tests.songs import make_study

__all__ = ["sink", "sounding_browser"]
pytestmark = [pytest.mark.browser, pytest.mark.device]

RATE = 48000
TEN_MINUTES_S = 600
MARK_AFTER_S = 0.1  # the song's own mark, after each bar line: click and mark must lie so far apart
HEAR_S = 3.5  # more than a bar, so that each place has a mark
FIVE_PLACES = ("#from-1", "#from-2", "#from-3", "#from-4", "#from-5")

Floats = NDArray[np.float64]


def long_song(folder: Path) -> Path:
    """Ten minutes at 97.3 quarter notes a minute, near silence but for a mark 100 ms after each bar line."""
    rng = np.random.default_rng(5)
    audio = (1e-5 * rng.standard_normal((TEN_MINUTES_S * RATE, 1))).astype(np.float32)
    study = make_study(
        folder, audio=audio, tempo=97.3, start=1.37, sections={"all": "1-240"}, forms={}, song={"bars": 240}
    )
    grid = load_song(study).grid
    for bar in range(1, 240):
        at = grid.line_frame(bar) + round(MARK_AFTER_S * RATE)
        audio[at : at + 960, 0] = mark()
    soundfile.write(study / "song.wav", audio, RATE, subtype="PCM_24")
    return study


def mark() -> NDArray[np.float32]:
    """20 ms of noise."""
    noise = np.random.default_rng(6).standard_normal(960)
    return (0.25 * noise / np.abs(noise).max()).astype(np.float32)


def first_sound(page: Page) -> None:
    """The caution, read; and the first sound, which fades in, heard and stopped."""
    page.locator("button[data-play]").first.click()
    page.locator("#caution-go").click()
    until(lambda: page.locator("button[aria-pressed=true]").count() == 1, page)
    page.wait_for_timeout(2500)
    page.keyboard.press("Escape")
    until(lambda: page.locator("button[aria-pressed=true]").count() == 0, page)


def recorded(page: Page, sink: NullSink, button: str, seconds: float | None) -> Integers:
    """(frames, channels) of int32 while a button's sound plays: to its end, or for so long."""
    with sink.recording() as tape:
        page.locator(button).click()
        until(lambda: page.locator("button[aria-pressed=true]").count() == 1, page)
        if seconds is not None:
            page.wait_for_timeout(1000 * seconds)
            page.keyboard.press("Escape")
        until(lambda: page.locator("button[aria-pressed=true]").count() == 0, page)
    heard = tape.integers()
    assert np.abs(left(heard)).max() > 1e-3, "nothing was recorded"
    return heard


def left(heard: Integers) -> Floats:
    """(frames,) of the left channel, full scale at 1."""
    return heard[:, 0] / 2.0**31


def places_of(template: Floats, heard: Floats) -> NDArray[np.intp]:
    """Frames at which a template is heard: peaks of the cross-correlation above half the best."""
    likeness = correlate(heard, template, mode="valid")
    peaks = np.flatnonzero((likeness[1:-1] > likeness[:-2]) & (likeness[1:-1] >= likeness[2:])) + 1
    strong = peaks[likeness[peaks] > 0.6 * likeness.max()]
    apart = [int(strong[0])]
    for at in strong[1:]:
        if at - apart[-1] > 0.2 * RATE:
            apart.append(int(at))
        elif likeness[at] > likeness[apart[-1]]:
            apart[-1] = int(at)
    return np.array(apart)


def test_the_click_lies_on_the_grid_from_the_top_to_the_end(
    sounding_browser: Browser, sink: NullSink, tmp_path: Path
) -> None:
    study = long_song(tmp_path / "long")
    grid = load_song(study).grid
    click = click_track(grid, grid.line_frame(1), 1920)[:, 0].astype(np.float64)
    template = mark().astype(np.float64)
    with maker_page(study) as work, open_page(sounding_browser, work.link()) as page:
        page.locator("#from-1").wait_for()
        first_sound(page)
        for button in FIVE_PLACES:
            heard = left(recorded(page, sink, button, HEAR_S))
            marks, clicks = places_of(template, heard), places_of(click, heard)
            assert len(marks) >= 1, button
            for at in marks:
                nearest = clicks[np.argmin(np.abs(clicks + MARK_AFTER_S * RATE - at))]
                off_ms = 1000 * (at - nearest) / RATE - 1000 * MARK_AFTER_S
                assert abs(off_ms) <= 1.0, f"{button}: the click is {off_ms:.2f} ms beside the bar line"


def test_hear_the_join_is_the_render_there_before_its_gain(
    sounding_browser: Browser, sink: NullSink, tmp_path: Path
) -> None:
    study = make_study(tmp_path / "study")
    song = load_song(study)
    form = song.form("twice")
    with maker_page(study) as work:
        answer = work.ask("GET", "/api/sound/join", params={"form": "twice", "index": "1"})
        sent = np.frombuffer(answer.content, "<f4").reshape(-1, int(answer.headers["Fair-Channels"]))
        expected = join_excerpt(song, form, 1)
        assert np.array_equal(sent, expected), (
            "what the page gets is what the render holds, sample for sample"
        )
        with open_page(sounding_browser, work.link()) as page:
            page.locator("a[href='#forms']").click()
            page.locator(".maps").wait_for()
            work.wait("joins")
            first_sound(page)
            button = page.locator('button[data-play=join][data-query*="twice"]').nth(1)
            identity = button.get_attribute("id")
            heard = left(without_gaps(recorded(page, sink, f"#{identity}", None)))
    edge = round(0.012 * RATE)  # the page's own fades at both ends
    middle = expected[edge:-edge, 0].astype(np.float64)
    at = int(np.argmax(correlate(heard, middle, mode="valid")))
    rest = heard[at : at + len(middle)] - middle
    assert np.abs(rest).max() <= 1.5 / (1 << 23), f"{np.abs(rest).max() * (1 << 23):.1f} steps of 24 bit"
