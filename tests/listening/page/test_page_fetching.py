"""Sound on its way: what is fetched, how much and how long is shown; nothing is fetched twice, and the next
form comes while this one is rated."""

from __future__ import annotations

import re
import time

import pytest
from playwright.sync_api import Browser, Page, expect

from listening.page.copies import travelling_bytes
from tests.browser import browser, hear, hear_level, open_page, sit_down, slow_down, start, until
from tests.page_study import rendered_long, rendered_short
from tests.serving import Served, long_page_of, page_of

__all__ = ["browser", "long_page_of", "page_of", "rendered_long", "rendered_short"]
pytestmark = [pytest.mark.browser]

SLOW_BYTES_S = 50_000  # 400 kbit/s
GRACE_S = 2.0  # beyond the time that the bytes need
LATE_MS = 40_000


def sounds_asked_for(page: Page) -> list[str]:
    asked: list[str] = []
    page.on("request", lambda r: asked.append(r.url) if "/api/sounds/" in r.url else None)
    return asked


def test_a_slow_line_begins_when_its_bytes_are_here_and_says_how_long(
    browser: Browser, page_of: Served
) -> None:
    study = page_of.study
    copies = page_of.app.state.sessions.copies
    level_bytes = len(copies.level_check(study.manifest)[0])
    form_bytes = travelling_bytes(copies.of(study.manifest))
    with open_page(browser, page_of.link("ana")) as page:
        page.locator("#hello-go").wait_for()
        slow_down(page, SLOW_BYTES_S)
        began = time.monotonic()
        page.locator("#hello-go").click()
        fetching = page.locator("#level-fetching")
        expect(fetching).to_contain_text(re.compile(r"Fetching the sound: \d\.\d of 0\.1 MB"))
        page.locator("#level-play:not([aria-disabled])").wait_for(timeout=LATE_MS)
        assert time.monotonic() - began < level_bytes / SLOW_BYTES_S + GRACE_S
        page.get_by_label("headphones", exact=True).check()
        hear_level(page)
        page.locator("#level-yes").click()
        elements = page.locator("#listen-fetching")
        expect(elements).to_contain_text(re.compile(r"Fetching the sound: 0\.\d of 0\.4 MB, .+ to go\."))
        page.locator("#listen-top:not([aria-disabled])").wait_for(timeout=LATE_MS)
        waited = time.monotonic() - began
        assert waited < (level_bytes + form_bytes) / SLOW_BYTES_S + GRACE_S, "the level check costs no time"
        assert elements.inner_text() == ""


def test_a_form_is_fetched_once_however_often_it_is_begun(browser: Browser, long_page_of: Served) -> None:
    with open_page(browser, "about:blank") as page:
        asked = sounds_asked_for(page)
        page.goto(long_page_of.link("ana"))
        sit_down(page)
        for _ in range(2):
            start(page)
            page.locator("#listen-stop").click()
            expect(page.locator("#notice")).to_contain_text("Not counted: stopped by the listener")
            page.locator("#listen-top:not([aria-disabled])").wait_for(timeout=LATE_MS)
        assert len(asked) == 1


def test_the_next_form_comes_while_this_one_is_rated(browser: Browser, page_of: Served) -> None:
    with open_page(browser, "about:blank") as page:
        asked = sounds_asked_for(page)
        page.goto(page_of.link("ana"))
        sit_down(page)
        hear(page)
        until(lambda: len(asked) == 2, page)
        assert page.locator("#rate-form").is_visible()
        page.locator("#overall").fill("50")
        page.locator("#rate-keep").click()
        page.locator("#listen-top:not([aria-disabled])").wait_for(timeout=LATE_MS)
        assert len(set(asked)) == len(asked) == 2


def test_a_round_says_before_it_begins_what_it_asks(browser: Browser, page_of: Served) -> None:
    with open_page(browser, page_of.link("ana")) as page:
        expect(page.locator("#hello-needs")).to_contain_text("3 forms, about 1 minute of sound in all")
        page.locator("#hello-go").click()
        page.locator("#level-play:not([aria-disabled])").wait_for(timeout=LATE_MS)
        page.reload()
        expect(page.locator("#hello-needs")).to_contain_text("MB to fetch")
