"""The page as others see it: in a reader's own two colours, at 200 % on a phone, on paper."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, ViewportSize, expect

from tests.browser import browser, open_page, sit_down
from tests.page_api import Bench, at
from tests.page_study import rendered, rendered_short
from tests.serving import Served, page_of

__all__ = ["at", "browser", "page_of", "rendered", "rendered_short"]
pytestmark = [pytest.mark.browser, pytest.mark.silent]

ZOOMED: ViewportSize = {"width": 195, "height": 422}  # a phone of 390 x 844 at 200 % (WCAG 2.2, 1.4.4)


@pytest.fixture
def rating(browser: Browser, at: Bench) -> Iterator[Page]:
    """A page that asks for the rating of a form that was heard."""
    at.caller("ana").hear(at.longest_s())
    with open_page(browser, at.served.link("ana")) as page:
        page.locator("#rate-form").wait_for()
        yield page


def sideways(page: Page) -> bool:
    return bool(page.evaluate("document.documentElement.scrollWidth > innerWidth"))


def test_in_forced_colours_rule_and_mark_are_there(rating: Page) -> None:
    rating.emulate_media(forced_colors="active")
    rating.locator("#overall").fill("40")
    ink = rating.evaluate("getComputedStyle(document.body).color")
    for part, side, width in (
        (".axis", "top", "1px"),
        ("#rule-mark", "left", "3px"),
        (".rule", "left", "1px"),
    ):
        expect(rating.locator(part)).to_have_css(f"border-{side}-width", width)
        expect(rating.locator(part)).to_have_css(f"border-{side}-style", "solid")
        expect(rating.locator(part)).to_have_css(f"border-{side}-color", ink)


def test_at_200_per_cent_on_a_phone_nothing_breaks_or_overflows(rating: Page, at: Bench) -> None:
    rating.set_viewport_size(ZOOMED)
    assert not sideways(rating)
    box = rating.locator("#rule").bounding_box()
    assert box is not None and box["width"] > 100, "wide enough for a thumb"
    rating.locator("#overall").fill("64")
    rating.locator("#rate-keep").click()
    expect(rating.locator("#notice")).to_contain_text("is rated")


def test_a_code_stays_on_one_line(browser: Browser, page_of: Served) -> None:
    with open_page(browser, page_of.link("ana"), viewport=ZOOMED) as page:
        sit_down(page)
        code = page.locator("#listen-head")
        one_line = page.evaluate(
            "parseFloat(getComputedStyle(document.querySelector('#listen-head')).lineHeight)"
        )
        box = code.bounding_box()
        assert box is not None and box["height"] == pytest.approx(one_line, abs=1)
        assert not sideways(page)


def test_the_review_fits_a_phone_at_200_per_cent_and_prints(browser: Browser, at: Bench) -> None:
    caller = at.caller("ana")
    for value in (10, 20, 30):
        caller.answer(caller.hear(at.longest_s()), value, comments=[{"text": "the bridge", "time_s": 3.0}])
    with open_page(browser, at.served.link("ana"), viewport=ZOOMED) as page:
        page.locator("#review-form").wait_for()
        assert not sideways(page)
        page.emulate_media(media="print")
        assert (
            page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
            == "rgb(255, 255, 255)"
        )
        expect(page.locator("#review-stand")).to_be_hidden()
        expect(page.locator("#review-list")).to_contain_text("the bridge")
