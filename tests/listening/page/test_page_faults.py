"""What goes wrong while somebody listens, in a real browser: each fault has one outcome."""

from __future__ import annotations

import time

import pytest
from playwright.sync_api import Browser

from listening.counts import REASONS, Reason
from tests.browser import (
    asleep,
    hear,
    hear_level,
    open_page,
    sit_down,
    sounding_browser,
    stall_in_the_middle,
    start,
    until,
)
from tests.heard import gaps_s
from tests.page_listens import ENDED_MS, all_listens, listens, notice, rate
from tests.page_study import rendered_long, rendered_short
from tests.pulse import NullSink, sink
from tests.serving import Served, long_page_of, page_of
from tests.stalls import fell_into_a_stall, not_stalled

__all__ = ["long_page_of", "page_of", "rendered_long", "rendered_short", "sink", "sounding_browser"]
pytestmark = [pytest.mark.browser, pytest.mark.device]

# As phones do when they are locked, or rung up: the sound stops and cannot be had back.
LOCKED = "{ const c = made.at(-1); c.resume = () => Promise.reject(new Error('locked')); c.suspend(); }"

NOTE_IF_IT_GOES = """{
const yes = document.querySelector("#level-yes");
window.gone = false;
const look = () => { window.gone ||= !yes.checkVisibility(); };
new MutationObserver(look).observe(document.body, { subtree: true, attributes: true });
}"""  # by the page itself: a slow machine may ask when it is back already


def test_a_second_tab_takes_the_listen_over(sounding_browser: Browser, long_page_of: Served) -> None:
    link = long_page_of.link("ana")
    with open_page(sounding_browser, link) as first:
        sit_down(first)
        second = first.context.new_page()
        second.goto(link)
        sit_down(second)
        start(first)
        second.locator("#listen-top").click()
        notice(second, "another tab")
        start(second)
        notice(first, "Not counted: it was begun again")
        second.locator("#rate-form").wait_for(timeout=ENDED_MS)
        rate(second, "55")
    void, counted = listens(long_page_of)
    assert void.void_reason == REASONS["elsewhere"] and 0 < void.fraction_heard < 1
    assert counted.rating == 55 and counted.form_id == void.form_id


def test_a_second_device_is_not_called_a_tab(sounding_browser: Browser, long_page_of: Served) -> None:
    link = long_page_of.link("ana")
    with open_page(sounding_browser, link) as first, open_page(sounding_browser, link) as second:
        sit_down(first)
        sit_down(second)
        start(first)
        second.locator("#listen-top").click()
        notice(second, "used up on another device")
        assert "tab" not in second.locator("#notice").inner_text()


def test_what_breaks_a_listen_voids_it_and_the_form_comes_again(
    sounding_browser: Browser, long_page_of: Served
) -> None:
    """Stopping, a locked screen, a sleeping device, a reload, the back button: one after the other."""
    with open_page(sounding_browser, "about:blank") as page:
        page.goto(long_page_of.link("ana"))
        sit_down(page)
        codes = [start(page)]
        page.locator("#listen-stop").click()
        notice(page, "Not counted: stopped by the listener")
        codes.append(start(page))
        page.evaluate(LOCKED)
        notice(page, "Not counted: the sound stood still")
        codes.append(start(page))
        with asleep():
            time.sleep(4.0)
        notice(page, "Not counted: the sound stood still")
        codes.append(start(page))
        page.reload()
        notice(page, f"The page was loaded again while {codes[-1]} played")
        page.locator("#hello-go").click()
        codes.append(start(page))  # no second level check: the sitting goes on
        page.go_back()
        page.go_forward()
        page.locator("#hello-go").click()
        codes.append(hear(page))
        rate(page, "20")
    heard_listens = [listen for listen in all_listens(long_page_of) if str(listen.code) in codes]
    assert not_stalled([x for x in all_listens(long_page_of) if x not in heard_listens]) == []
    *voids, counted = heard_listens
    reasons: list[Reason] = ["stopped", "paused", "paused", "left", "left"]
    assert [void.void_reason for void in voids] == [REASONS[reason] for reason in reasons]
    assert all(0.02 < void.fraction_heard < 0.95 for void in voids)
    assert counted.rating == 20
    assert [str(x.code) for x in heard_listens] == codes and len(set(codes)) == 6
    assert {(x.form_id, x.sitting_id) for x in voids} == {(counted.form_id, counted.sitting_id)}


def test_a_stall_that_the_buffer_bridges_leaves_no_trace(
    sounding_browser: Browser, sink: NullSink, long_page_of: Served
) -> None:
    """A fifth of a second without a processor: the page asks for a large buffer."""
    with open_page(sounding_browser, long_page_of.link("ana")) as page:
        sit_down(page)
        with sink.recording() as tape:
            stall_in_the_middle(page, 0.2)
            page.locator("#rate-form:visible, #judge-count:visible").wait_for(timeout=ENDED_MS)
    listen = all_listens(long_page_of)[-1]
    missing = gaps_s(tape.sounding(), sink.rate)
    assert listen.late_s == pytest.approx(missing, abs=0.1)
    assert missing < 0.1 or fell_into_a_stall(listen)


def test_a_muted_device_is_asked_about_before_anything_counts(
    sounding_browser: Browser, page_of: Served
) -> None:
    with open_page(sounding_browser, page_of.link("ana")) as page:
        page.locator("#hello-go").click()
        page.locator("#level-play:not([aria-disabled])").wait_for()
        assert not page.locator("#level-yes").is_visible(), "it can only be confirmed after it was played"
        hear_level(page)
        page.locator("#level-yes").click()
        notice(page, "what you are listening on")
        assert "mute switch" in page.locator("#level-heard").inner_text()
        page.evaluate(NOTE_IF_IT_GOES)
        page.locator("#level-play:not([aria-disabled])").click()  # heard again, as often as it takes
        until(lambda: bool(page.evaluate("window.gone")), page)  # it cannot be confirmed while it plays again
        page.locator("#level-play:not([aria-disabled])").wait_for(timeout=ENDED_MS)
        assert not page.locator("#heard-on-words").is_visible(), "asked for only where it is the answer"
        page.locator("#heard-on-else").check()
        page.locator("#heard-on-words").fill("kitchen radio")
        page.locator("#level-yes").click()
        hear(page)
    assert listens(page_of)[0].heard_on == "kitchen radio"


def test_a_device_whose_clock_is_wrong_and_is_set_in_mid_listen(
    sounding_browser: Browser, long_page_of: Served
) -> None:
    with open_page(sounding_browser, "about:blank") as page:
        page.add_init_script(
            "const real = Date.now.bind(Date); window.off = -40 * 86400e3;"
            "Date.now = () => real() + window.off;"
        )
        page.goto(long_page_of.link("ana"))
        sit_down(page)

        def midway() -> None:
            page.evaluate("window.off = 3 * 86400e3")
            page.evaluate("document.activeElement.blur()")
            page.keyboard.press("Space")  # keeps a moment wherever the focus is

        hear(page, midway)
        assert page.locator("#rate-moments textarea").count() == 1
        rate(page, "12")
    (listen,) = listens(long_page_of)
    now = long_page_of.study.clock()
    assert listen.rating == 12
    assert abs((now.date() - now.date().fromisoformat(listen.local_date)).days) <= 1


def test_a_page_that_is_busy_when_its_sound_ends_has_played_it_all_the_same(
    sounding_browser: Browser, page_of: Served
) -> None:
    """The sound has a thread of its own; the page notices its end seconds later."""
    with open_page(sounding_browser, page_of.link("ana")) as page:
        sit_down(page)
        hear(
            page,
            lambda: page.evaluate("{ const to = performance.now() + 6500; while (performance.now() < to); }"),
        )
    (listen,) = listens(page_of)
    assert listen.void_reason is None


def test_what_was_typed_survives_a_reload_and_another_device_goes_on(
    sounding_browser: Browser, long_page_of: Served
) -> None:
    link = long_page_of.link("ana")
    with open_page(sounding_browser, link) as page:
        sit_down(page)
        hear(page, page.locator("#listen-keep").click)
        page.locator("#overall").fill("7")
        page.locator("#flow").fill("8,5")
        page.locator("#moment-1").fill("первый момент")
        page.locator("#whole").fill("<i>as a whole</i>")
        page.reload()
        page.locator("#rate-form").wait_for()
        fields = [page.locator(f"#{x}").input_value() for x in ("overall", "flow", "moment-1", "whole")]
        assert fields == ["7", "8,5", "первый момент", "<i>as a whole</i>"]
        rate(page, "9")
    with open_page(sounding_browser, link) as elsewhere:
        elsewhere.locator("#hello-go").wait_for()
        assert "1 of 3 forms are rated" in elsewhere.locator("#hello-round").inner_text()
        sit_down(elsewhere, "phone")
        hear(elsewhere)
    first, second = listens(long_page_of)
    assert first.ratings == {"overall": 9, "flow": 8.5} and len(first.comments) == 2
    assert (first.heard_on, second.heard_on) == ("headphones", "phone")


def test_a_wrong_or_missing_link_says_so(sounding_browser: Browser, page_of: Served) -> None:
    for address, words in ((page_of.base, "private link"), (f"{page_of.base}/#wrong", "does not work")):
        with open_page(sounding_browser, "about:blank") as page:
            page.goto(address)
            page.locator("#trouble-text").get_by_text(words).wait_for()
