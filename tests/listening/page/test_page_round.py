"""A whole round in a real browser, as a person clicks through it, with its sound recorded."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser, Page, expect

from tests.browser import end_round, hear, open_page, sit_down, sounding_browser
from tests.heard import Integers, loudness_lufs, sounding_render, without_gaps
from tests.page_study import make_study
from tests.pulse import NullSink, sink
from tests.serving import served
from tests.stalls import fell_into_a_stall, not_stalled

__all__ = ["sink", "sounding_browser"]
pytestmark = [pytest.mark.browser, pytest.mark.device]


def hear_with_a_moment(page: Page) -> tuple[float, float]:
    """As a person does who keeps a moment; between which times it was, by what the device had taken."""
    times = []

    def keep() -> None:
        before = page.evaluate("heard_s() - 2 * made.at(-1).outputLatency")  # it is an estimate, and moves
        page.keyboard.press("Space")  # the focus is on "keep this moment"
        times.append((before, page.evaluate("heard_s()")))

    hear(page, keep)
    return times[-1]


def rate(page: Page, rating: str, *, with_words: bool) -> None:
    assert page.locator("#overall").input_value() == "", "no value is set before the listener's"
    page.locator("#overall").fill(rating)
    if with_words:
        page.locator("#ending").fill("60")
        page.locator("#moment-1").fill("schön <b>laut</b> 好 مرحبا")
        page.locator("#whole").fill("Line one\nline two")
    page.locator("#rate-keep").click()


def click_through(page: Page, sink: NullSink) -> tuple[list[str], list[Integers], tuple[float, float]]:
    """A whole round; its codes, what was heard under each, and when the moment was kept."""
    codes: list[str] = []
    heard: list[Integers] = []
    kept = (0.0, 0.0)
    page.locator("#hello-go").wait_for()
    assert page.locator("#hello-head").inner_text() == "Hello, ana."
    assert page.locator("#who").inner_text() == "ana, 0 of 2 rounds done"
    sit_down(page)
    for rating in ("71", "35,5", "100"):
        with sink.recording() as tape:
            page.locator("#listen-top:not([aria-disabled])").wait_for()
            assert page.locator("#listen-head").inner_text() not in codes
            if codes:
                hear(page)
            else:
                kept = hear_with_a_moment(page)
        code = page.locator("#rate-head").inner_text()
        rate(page, rating, with_words=not codes)
        codes.append(code)
        heard.append(tape.sounding())
    page.locator("#review-form").wait_for()
    assert page.locator("#review-list label").all_inner_texts() == codes
    page.locator(f"#rated-{codes[1]}").fill("40")
    end_round(page)
    page.locator("#rest-head").wait_for()
    expect(page.locator("#notice")).to_contain_text("Round 1 is done")
    expect(page.locator("#rest-text")).to_contain_text("next round is due on")
    return codes, heard, kept


def test_a_round_from_greeting_to_thanks(sounding_browser: Browser, sink: NullSink, tmp_path: Path) -> None:
    study = make_study(tmp_path)
    with served(study) as page_of, open_page(sounding_browser, page_of.link("ana")) as page:
        codes, heard, kept = click_through(page, sink)
    contents = study.log.contents()
    (round_,) = contents.rounds
    assert round_.complete
    listens = not_stalled(contents.listens)
    assert [str(x.code) for x in listens] == codes
    assert [x.form_id for x in listens] == list(round_.order)
    assert [x.rating for x in listens] == [71, 40, 100]
    assert listens[0].ratings == {"overall": 71, "ending": 60}
    assert {x.means for x in listens} == {"page"} and {x.heard_on for x in listens} == {"headphones"}
    (moment_s, moment), (whole_s, whole) = listens[0].comments
    assert moment == "schön <b>laut</b> 好 مرحبا" and whole == "Line one\nline two" and whole_s is None
    assert moment_s is not None
    assert kept[0] - 0.001 <= moment_s + study.manifest.lead_s <= kept[1] + 0.001

    for listen, played in zip(listens, heard, strict=True):
        render = sounding_render(study, listen)
        if len(contents.listens) > len(listens):  # what the machine could not play was heard before
            played = played[-len(render) :]
        if len(played) > len(render) and fell_into_a_stall(listen):
            played = without_gaps(played)
        np.testing.assert_array_equal(played, render)
        assert loudness_lufs(played) == pytest.approx(loudness_lufs(render), abs=0.1)
