"""Steps of the listening page's browser tests: listens of a listener, the notice, a rating."""

from __future__ import annotations

from playwright.sync_api import Page

from sessions.records import ListenRecord
from tests.serving import Served
from tests.stalls import not_stalled

ENDED_MS = 30_000


def all_listens(page_of: Served) -> list[ListenRecord]:
    return page_of.study.log.contents("ana").listens_of("ana")


def listens(page_of: Served) -> list[ListenRecord]:
    """All but those that this machine could not play."""
    return not_stalled(all_listens(page_of))


def notice(page: Page, words: str) -> None:
    page.locator("#notice").get_by_text(words).wait_for(timeout=ENDED_MS)


def rate(page: Page, value: str) -> None:
    page.locator("#overall").fill(value)
    page.locator("#rate-keep").click()
    page.locator("#rate").wait_for(state="hidden", timeout=ENDED_MS)
