"""The page on a phone: what is said before a round, what keeps device and sound awake, and a dark screen."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, expect

from tests.browser import chromium, open_page, sit_down, start, until
from tests.page_study import rendered_long
from tests.serving import Served, long_page_of

__all__ = ["long_page_of", "rendered_long"]
pytestmark = [pytest.mark.browser]

PHONE = {"viewport": {"width": 390, "height": 664}, "has_touch": True, "is_mobile": True}
LATE_MS = 40_000


@pytest.fixture(scope="module")
def far_browser() -> Iterator[Browser]:
    """A browser for which the page lies at another host's plain-HTTP address: no secure context."""
    with chromium(None, "--host-resolver-rules=MAP songs.test 127.0.0.1") as running:
        yield running


def in_plain_http(page_of: Served) -> str:
    return page_of.link("ana").replace("127.0.0.1", "songs.test")


def test_where_no_wake_lock_can_be_had_silence_plays_beside_the_sound(
    far_browser: Browser, long_page_of: Served
) -> None:
    with open_page(far_browser, in_plain_http(long_page_of), **PHONE) as page:
        assert not page.evaluate("isSecureContext") and not page.evaluate("'wakeLock' in navigator")
        expect(page.locator("#hello-needs")).to_contain_text("turn the device's automatic lock off")
        sit_down(page)
        start(page)
        silent = page.locator("audio#awake")
        assert silent.count() == 1
        until(lambda: bool(silent.evaluate("a => !a.paused && a.loop && a.currentTime > 0.2")), page)
        page.locator("#listen-stop").click()
        expect(page.locator("#notice")).to_contain_text("Not counted")
        assert silent.count() == 0


def test_where_a_wake_lock_can_be_had_it_is_and_nothing_is_asked_of_the_lock(
    far_browser: Browser, long_page_of: Served
) -> None:
    with open_page(far_browser, "about:blank", **PHONE) as page:
        page.add_init_script(
            "window.locks = []; const { request } = WakeLock.prototype;"
            "WakeLock.prototype.request = async function (kind) {"
            "  const lock = await request.call(this, kind).catch(() => null); locks.push([kind, lock]);"
            "  return lock; };"
        )
        page.goto(long_page_of.link("ana"))
        needs = page.locator("#hello-needs")
        expect(needs).to_contain_text("Keep this page in front until a form has ended.")
        expect(needs).not_to_contain_text("lock off")
        sit_down(page)
        start(page)
        assert page.evaluate("locks.map(([kind]) => kind)") == ["screen"]
        assert page.locator("audio").count() == 0


def test_on_a_laptop_nothing_is_said_of_locks(far_browser: Browser, long_page_of: Served) -> None:
    with open_page(far_browser, in_plain_http(long_page_of)) as page:
        expect(page.locator("#hello-needs")).to_contain_text("3 forms")
        assert "Keep this page" not in page.locator("#hello").inner_text()


def test_a_form_that_went_on_while_the_screen_was_dark_counts(
    far_browser: Browser, long_page_of: Served
) -> None:
    """The page hears of nothing for four seconds; its sound has a thread of its own, and goes on."""
    with open_page(far_browser, long_page_of.link("ana"), **PHONE) as page:
        sit_down(page)
        start(page)
        page.evaluate(
            "Object.defineProperty(document, 'visibilityState', { value: 'hidden', configurable: true });"
            "document.dispatchEvent(new Event('visibilitychange'));"
            "{ const to = performance.now() + 4000; while (performance.now() < to); }"
        )
        page.locator("#rate-form").wait_for(timeout=LATE_MS)
    (listen,) = long_page_of.study.log.contents("ana").listens
    assert listen.heard_to_the_end and listen.late_s <= 0.3
