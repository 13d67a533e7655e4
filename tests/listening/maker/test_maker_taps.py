"""Tapping along in a browser: real keys and a real pointer, at the times of an unsteady hand (the context's
clock is set at each tap), on a song of clicks whose tempo and start song.toml has wrong."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser, expect

from tests.browser import STEP_MS, browser, open_page, until
from tests.invented_songs import clicks
from tests.maker import maker_page
from tests.songs import make_study

__all__ = ["browser"]
pytestmark = [pytest.mark.browser]

RATE = 22050
TEMPO, START_S = 117.3, 0.3  # of the clicks; song.toml says 112 from 0.8 s
LATE_S, SCATTER_S = 0.08, 0.03

# The sound's clock at a tap: set before the page's own listeners hear of it, and real again after them.
CLOCK = """{
const real = Object.getOwnPropertyDescriptor(BaseAudioContext.prototype, "currentTime").get;
window.taps = [];
let now = null;
Object.defineProperty(BaseAudioContext.prototype, "currentTime", {
  get() { return now ?? real.call(this); },
});
for (const kind of ["keydown", "pointerdown"]) {
  window.addEventListener(kind, (event) => {
    if (kind === "keydown" ? event.key !== " " : event.target.id !== "tap") return;
    const context = window.made.at(-1);
    now = real.call(context);  // it may go on between two looks
    now += taps.shift() - Sounds.songAt_s();
  }, true);
  window.addEventListener(kind, () => { now = null; });
}
}"""


def test_sixteen_taps_by_key_and_by_pointer(browser: Browser, tmp_path: Path) -> None:
    audio = clicks(TEMPO, 40, RATE, START_S).astype(np.float32)
    folder = make_study(
        tmp_path / "study", audio=audio.reshape(len(audio), -1), rate=RATE, tempo=112, start=0.8,
        sections={"all": "1-16"}, forms={},
    )  # fmt: skip
    rng = np.random.default_rng(18)
    beats = 3 + np.arange(16)
    taps = START_S + beats * 60 / TEMPO + LATE_S + rng.normal(0, SCATTER_S, 16)
    with maker_page(folder) as work, open_page(browser, work.link()) as page:
        page.locator("#from-1").wait_for(timeout=STEP_MS)
        page.evaluate(CLOCK)
        page.locator("#from-1").click()
        page.locator("#caution-go").click()
        until(lambda: bool(page.evaluate("Player.heard_s() > 0.1")), page)  # before, it is at 0 for a while
        page.evaluate("list => { window.taps = list; }", taps.tolist())
        for number in range(16):
            if number < 8:
                page.keyboard.press("Space")  # the focus is on the button that plays
            else:
                page.locator("#tap").click()
        assert page.locator("#taps-count").inner_text() == "16 taps"
        assert page.evaluate("window.taps.length") == 0
        page.locator("#taps-go").click()
        page.locator("#take-taps-1").wait_for(timeout=STEP_MS)
        assert page.evaluate("Player.playing()"), "no tap has stopped the song"
        page.locator("#take-taps-1").click()
        until(lambda: float(work.work.song().grid.tempo) != 112, page)
        grid = work.work.song().grid
        assert float(grid.tempo) == pytest.approx(TEMPO, rel=0.001)
        beat_s = 60 / TEMPO
        off_s = (float(grid.start_s) - START_S + beat_s / 2) % beat_s - beat_s / 2
        assert abs(off_s) < 0.01
        expect(page.locator("#take-taps-1")).to_have_count(0, timeout=STEP_MS)
