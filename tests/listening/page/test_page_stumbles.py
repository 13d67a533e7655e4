"""Sound that stumbles in a real browser, recorded: what the page says was missing is what was missing, and a
little of it spoils no listen (0.3 s counted, 2 s asked about, more is void)."""

from __future__ import annotations

import time
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, expect

from sessions.records import ListenRecord
from tests.browser import asleep, chromium, open_page, sit_down, stall_in_the_middle, until
from tests.heard import gaps_s
from tests.page_study import rendered_long
from tests.pulse import NullSink, sink
from tests.serving import Served, long_page_of

__all__ = ["long_page_of", "rendered_long", "sink"]
pytestmark = [pytest.mark.browser, pytest.mark.device]

ENDED_MS = 40_000
AGREE_S = 0.1  # between what was missing at the device and what the page says


@pytest.fixture(scope="module")
def little_buffer(sink: NullSink) -> Iterator[Browser]:
    """A browser that gives 21 ms of buffer whatever a page asks for: every stall is heard."""
    with chromium(sink.env, "--audio-buffer-size=1024") as running:
        yield running


def the_listen(page_of: Served) -> ListenRecord:
    return page_of.study.log.contents("ana").listens_of("ana")[-1]


def test_a_fifth_of_a_second_is_counted_and_kept_with_its_place(
    little_buffer: Browser, sink: NullSink, long_page_of: Served
) -> None:
    study = long_page_of.study
    with open_page(little_buffer, long_page_of.link("ana")) as page:
        sit_down(page)
        for _ in range(3):
            with sink.recording() as tape:
                stall_in_the_middle(page, 0.2)
                page.locator("#rate-form:visible, #judge-again:visible").wait_for(timeout=ENDED_MS)
            listen = the_listen(long_page_of)
            missing = gaps_s(tape.sounding(), sink.rate)
            assert listen.late_s == pytest.approx(missing, abs=AGREE_S)
            if page.locator("#rate-form").is_visible():
                break
            assert missing > 0.3 - AGREE_S, "asked about more than what was injected: the machine stood still"
            page.locator("#judge-again").click()
    assert listen.heard_to_the_end and 0.1 < listen.late_s <= 0.3
    longest = max(listen.stumbles, key=lambda stumble: stumble.length_s)
    assert 2.5 < longest.at_s + study.manifest.lead_s < 4.5


@pytest.mark.parametrize("could_judge", [True, False])
def test_a_second_is_asked_about_before_the_rating(
    little_buffer: Browser, sink: NullSink, long_page_of: Served, could_judge: bool
) -> None:
    with open_page(little_buffer, long_page_of.link("ana")) as page:
        sit_down(page)
        with sink.recording() as tape:
            stall_in_the_middle(page, 1.0)
            page.locator("#judge-count").wait_for(timeout=ENDED_MS)
        expect(page.locator("#judge-text")).to_contain_text("It stumbled at 0:0")
        expect(page.locator("#judge-text")).to_contain_text("Could you still judge it?")
        page.reload()  # the question stands until it is answered
        page.locator("#judge-count" if could_judge else "#judge-again").click(timeout=ENDED_MS)
        if could_judge:
            page.locator("#rate-form").wait_for(timeout=ENDED_MS)
        else:
            expect(page.locator("#notice")).to_contain_text("heard again", timeout=ENDED_MS)
            page.locator("#hello-go").click()
            page.locator("#listen-top:not([aria-disabled])").wait_for(timeout=ENDED_MS)
    listen = the_listen(long_page_of)
    assert listen.could_judge is could_judge and listen.heard_to_the_end is could_judge
    missing = gaps_s(tape.sounding(), sink.rate)
    assert listen.late_s == pytest.approx(missing, abs=AGREE_S)


def test_five_seconds_are_void_and_two_voids_bring_advice(
    little_buffer: Browser, long_page_of: Served
) -> None:
    with open_page(little_buffer, long_page_of.link("ana")) as page:
        sit_down(page)
        stall_in_the_middle(page, 5.0)
        expect(page.locator("#notice")).to_contain_text(
            "Not counted: the sound stood still", timeout=ENDED_MS
        )
        expect(page.locator("#notice")).not_to_contain_text("power saving")
        stall_in_the_middle(page, 5.0)
        expect(page.locator("#notice")).to_contain_text("power saving", timeout=ENDED_MS)
        expect(page.locator("#notice")).to_contain_text("packet")
    assert not the_listen(long_page_of).heard_to_the_end


def test_a_level_check_does_not_fail_for_a_stutter(little_buffer: Browser, long_page_of: Served) -> None:
    with open_page(little_buffer, long_page_of.link("ana")) as page:
        page.locator("#hello-go").click()
        page.get_by_label("headphones", exact=True).check()
        page.locator("#level-play:not([aria-disabled])").click(timeout=ENDED_MS)
        until(lambda: bool(page.evaluate("heard_s() > 0.1")), page)
        with asleep():
            time.sleep(1.5)
        page.locator("#level-yes").wait_for(timeout=ENDED_MS)
        page.locator("#level-yes").click()
        page.locator("#listen-top").wait_for(timeout=ENDED_MS)
