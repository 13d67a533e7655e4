"""What stands on the screen is what is kept: ratings that are changed while there is no connection."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, Route, expect

from sessions.records import ListenRecord
from tests.browser import browser, open_page
from tests.page_api import Bench, at
from tests.page_study import rendered
from tests.wire import Wire, wire

__all__ = ["at", "browser", "rendered"]
pytestmark = [pytest.mark.browser, pytest.mark.silent]

LATE_MS = 20_000


@pytest.fixture
def line(at: Bench) -> Iterator[Wire]:
    """The connection between a browser and the page of `at`."""
    with wire(at.served.base) as made:
        yield made


@pytest.fixture
def rating(browser: Browser, at: Bench, line: Wire) -> Iterator[Page]:
    """A page that asks for the rating of a form that was heard."""
    at.caller("ana").hear(at.longest_s())
    link = at.served.link("ana").replace(at.served.base, line.base)
    with open_page(browser, link) as page:
        page.locator("#rate-form").wait_for()
        yield page


def notice(page: Page, words: str) -> None:
    expect(page.locator("#notice")).to_contain_text(words, timeout=LATE_MS)


def heard(at: Bench) -> ListenRecord:
    (listen,) = at.study.log.contents("ana").listens
    return listen


def keep_then_change(page: Page) -> None:
    page.locator("#overall").fill("66")
    page.locator("#whole").fill("the bridge comes too late")
    page.locator("#rate-keep").click()
    notice(page, "No connection")
    page.locator("#overall").fill("30")
    page.locator("#whole").fill("the bridge comes too late, and twice")
    notice(page, "not kept yet")


def test_a_rating_that_is_changed_offline_is_kept_as_it_was_changed(
    rating: Page, at: Bench, line: Wire
) -> None:
    rating.locator("#rate-form").wait_for()
    line.cut()
    keep_then_change(rating)
    line.mend()
    rating.wait_for_timeout(3000)
    assert heard(at).rating is None, "nothing goes out that was changed and not kept"
    rating.locator("#rate-keep").click()
    notice(rating, "is rated")
    assert heard(at).rating == 30
    assert heard(at).comments == ((None, "the bridge comes too late, and twice"),)


def test_a_rating_that_arrived_unknown_to_the_page_is_corrected(rating: Page, at: Bench, line: Wire) -> None:
    """The answer to the first one is lost on its way back, and so is everything after it."""
    rating.locator("#overall").fill("66")
    rating.locator("#flow").fill("50")
    rating.locator("#whole").fill("said once")
    line.lose_answers_to(b"/answer")

    def answered_and_cut(route: Route) -> None:
        route.continue_()
        line.cut()

    rating.route("**/answer", answered_and_cut, times=1)
    rating.locator("#rate-keep").click()
    notice(rating, "No connection")
    rating.locator("#overall").fill("30")
    notice(rating, "not kept yet")
    line.mend()
    rating.locator("#rate-keep").click()
    notice(rating, "is rated")
    assert heard(at).ratings["overall"] == 30
    assert heard(at).comments == ((None, "said once"),), "and nothing is said twice"


def test_without_a_change_it_goes_out_by_itself(rating: Page, at: Bench, line: Wire) -> None:
    rating.locator("#overall").fill("66")
    line.cut()
    rating.locator("#rate-keep").click()
    notice(rating, "No connection")
    line.mend()
    notice(rating, "is rated")
    assert heard(at).rating == 66


def test_the_review_stands_still_while_it_is_sent(browser: Browser, at: Bench, line: Wire) -> None:
    caller = at.caller("ana")
    codes = []
    for value in (10, 20, 30):
        code = caller.hear(at.longest_s())
        caller.answer(code, value, flow=50, comments=[{"text": "too <b>long</b>", "time_s": 72.4}])
        codes.append(code)
    link = at.served.link("ana").replace(at.served.base, line.base)
    with open_page(browser, link) as page:
        page.locator("#review-form").wait_for()
        said = page.locator(f"#said-{codes[0]}").inner_text()
        assert "flow 50" in said and "too <b>long</b>" in said, "what was said stands beside the code"
        page.locator(f"#rated-{codes[0]}").fill("77")
        page.reload()
        expect(page.locator(f"#rated-{codes[0]}")).to_have_value("77")  # what was typed outlives a reload
        line.cut()
        page.locator("#review-stand").click()
        notice(page, "No connection")
        expect(page.locator(f"#rated-{codes[0]}")).not_to_be_editable()
        line.mend()
        page.locator("#questions-form").wait_for(timeout=LATE_MS)
        beside = page.locator("#questions-said").inner_text()
        assert f"{codes[0]}: 77" in beside and beside.count("too <b>long</b>") == 3
        page.locator("#questions-cuts").get_by_text(str(codes[1])).click()
        page.locator("#questions-keep").get_by_text(str(codes[2])).click()
        page.locator("#questions-done").click()
        notice(page, "Round 1 is done")
    contents = at.study.log.contents("ana")
    assert [x.rating for x in contents.listens] == [77, 20, 30]
    answers = contents.rounds[0].answers
    by_code = {x.id: x.code for x in contents.listens}
    assert answers is not None
    assert [by_code[x] for x in answers.cuts] == [codes[1]] and by_code[answers.kept or 0] == codes[2]
