"""Rating with a thumb: a tap or a drag along the rule sets the rating, a swipe up or down scrolls."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.browser import browser, open_page
from tests.page_api import Bench, at
from tests.page_study import rendered
from tests.touch import Finger

__all__ = ["at", "browser", "rendered"]
pytestmark = [pytest.mark.browser]
PHONE = {"width": 390, "height": 664}  # what a phone's own bars leave of 844


@pytest.fixture
def rating(browser: Browser, at: Bench) -> Iterator[Page]:
    """A phone that shows the rating of a form that was heard."""
    at.caller("ana").hear(at.longest_s())
    link = at.served.link("ana")
    with open_page(browser, link, viewport=PHONE, has_touch=True, is_mobile=True) as page:
        page.locator("#rate-form").wait_for()
        yield page


def on_rule(page: Page, share: float) -> tuple[float, float]:
    box = page.locator("#rule").bounding_box()
    assert box is not None
    return box["x"] + share * box["width"], box["y"] + box["height"] / 2


def test_a_swipe_that_begins_on_the_rule_scrolls_and_leaves_the_rating(rating: Page) -> None:
    rating.locator("#overall").fill("20")
    rating.evaluate("document.activeElement.blur()")
    x, y = on_rule(rating, 0.8)
    before = rating.evaluate("scrollY")
    Finger(rating).drag((x, y), (x + 6, y - 200))
    assert rating.locator("#overall").input_value() == "20"
    assert rating.evaluate("scrollY") > before + 100


def test_a_swipe_leaves_no_rating_where_there_was_none(rating: Page) -> None:
    x, y = on_rule(rating, 0.8)
    Finger(rating).drag((x, y), (x - 8, y - 200))
    assert rating.locator("#overall").input_value() == ""
    expect(rating.locator("#rule-mark")).to_be_hidden()


def test_a_tap_sets_the_rating(rating: Page) -> None:
    Finger(rating).tap(*on_rule(rating, 0.25))
    assert abs(int(rating.locator("#overall").input_value()) - 25) <= 1
    expect(rating.locator("#rule-mark")).to_be_visible()


def test_a_mostly_horizontal_drag_sets_the_rating_where_it_ends(rating: Page) -> None:
    x, y = on_rule(rating, 0.3)
    to_x, _ = on_rule(rating, 0.9)
    Finger(rating).drag((x, y), (to_x, y - 25))
    assert abs(int(rating.locator("#overall").input_value()) - 90) <= 1
    assert rating.evaluate("scrollY") == 0


def test_a_mouse_sets_the_rating_as_it_moves(rating: Page) -> None:
    x, y = on_rule(rating, 0.1)
    to_x, _ = on_rule(rating, 0.6)
    rating.mouse.move(x, y)
    rating.mouse.down()
    assert abs(int(rating.locator("#overall").input_value()) - 10) <= 1
    rating.mouse.move(to_x, y + 60)
    rating.mouse.up()
    assert abs(int(rating.locator("#overall").input_value()) - 60) <= 1
