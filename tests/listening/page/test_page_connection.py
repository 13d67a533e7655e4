"""A connection that is lost while somebody listens or rates, in a real browser."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser

from tests.browser import hear, hear_level, open_page, sit_down, sounding_browser, until
from tests.page_listens import listens, notice
from tests.page_study import rendered_long, rendered_short
from tests.pulse import sink
from tests.serving import Served, long_page_of, page_of
from tests.wire import Wire, wire

__all__ = ["long_page_of", "page_of", "rendered_long", "rendered_short", "sink", "sounding_browser"]
pytestmark = [pytest.mark.browser, pytest.mark.device]


@pytest.fixture
def line(page_of: Served) -> Iterator[Wire]:
    with wire(page_of.base) as made:
        yield made


def through(page_of: Served, line: Wire) -> str:
    return page_of.link("ana").replace(page_of.base, line.base)


def test_a_lost_connection_in_mid_listen_and_while_rating(
    sounding_browser: Browser, long_page_of: Served
) -> None:
    with (
        wire(long_page_of.base) as line,
        open_page(sounding_browser, through(long_page_of, line)) as page,
    ):
        sit_down(page)

        def without_a_line() -> None:
            line.cut()
            notice(page, "No connection")
            page.wait_for_timeout(1500)
            line.mend()

        hear(page, without_a_line)
        page.locator("#overall").fill("64")
        page.locator("#whole").fill("kept through the dark")
        line.cut()
        page.locator("#rate-keep").click()
        notice(page, "No connection")
        assert listens(long_page_of)[0].rating is None
        line.mend()
        notice(page, "is rated")
        hear(page)
    listen = listens(long_page_of)[0]
    assert (listen.rating, listen.comments) == (64, ((None, "kept through the dark"),))


def test_answers_that_get_lost_on_the_way_back_change_nothing(
    sounding_browser: Browser, page_of: Served, line: Wire
) -> None:
    with open_page(sounding_browser, through(page_of, line)) as page:
        sit_down(page)
        line.lose_answers_to(b"/begin", b"/end", b"/answer")
        hear(page)
        page.locator("#overall").fill("31")
        page.locator("#whole").fill("said once")
        page.locator("#rate-keep").dblclick()
        notice(page, "is rated")
        assert line.lost == 3
    (listen,) = listens(page_of)
    assert (listen.rating, listen.comments) == (31, ((None, "said once"),))
    with page_of.study.log.store.reading() as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM ratings").scalar() == 1


def test_sound_that_breaks_off_is_fetched_on_from_there(
    sounding_browser: Browser, page_of: Served, line: Wire
) -> None:
    with open_page(sounding_browser, through(page_of, line)) as page:
        ranges: list[str] = []
        page.on(
            "request",
            lambda r: ranges.append(r.headers.get("range", "")) if "/api/sounds/" in r.url else None,
        )
        line.hold_after(150_000)  # the level check is smaller; the form comes while it is heard
        page.locator("#hello-go").click()
        page.get_by_label("monitors").check()
        line.wait_until_held()
        before = page.evaluate("fetched_bytes")
        hear_level(page)
        page.locator("#level-yes").click()
        until(lambda: bool(page.evaluate("fetched_bytes") > before), page)
        line.let_go()
        hear(page)
        assert line.lost == 1
        assert ranges[0] == "" and int(ranges[1].removeprefix("bytes=").rstrip("-")) > 0
    assert listens(page_of)[0].heard_to_the_end
