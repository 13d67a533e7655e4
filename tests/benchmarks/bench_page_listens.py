"""Whole rounds in a real browser on a busy machine, recorded at the sound device: what was missing, what
the page says was missing, and what became of each listen.

    python -m tests.benchmarks.bench_page_listens busy      # whole rounds beside four busy processes
    python -m tests.benchmarks.bench_page_listens throttled # one round, a processor four times slower (CDP)
    python -m tests.benchmarks.bench_page_listens stalls    # a browser that stands still, with a small buffer
    python -m tests.benchmarks.bench_page_listens slow      # 400 kbit/s

What they print stands in RESULTS_page.md, copied by hand.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from subprocess import Popen
from unittest.mock import patch

from playwright.sync_api import Browser, Page

from listening.page.copies import travelling_bytes
from sessions.records import ListenRecord
from sessions.study import Study
from tests.browser import chromium, open_page, sit_down, slow_down, stall_in_the_middle, throttle
from tests.heard import gaps_s
from tests.page_study import make_study
from tests.pulse import NullSink, null_sink
from tests.serving import Served, served

BAR_S = 10.0  # forms of 20 to 35 seconds
PROCESSES = 4
SLOWER = 4
STALLS_S = (0.2, 1.0, 5.0)
SLOW_BYTES_S = 50_000
LATE_MS = 120_000


@contextmanager
def busy(processes: int) -> Iterator[None]:
    """So many processes that do nothing but compute, at usual priority."""
    running = [Popen([sys.executable, "-c", "while True: pass"]) for _ in range(processes)]
    try:
        yield
    finally:
        for one in running:
            one.kill()
            one.wait()


def hear_one(page: Page, sink: NullSink) -> float:
    """Hear the form that is due; the seconds of silence that the device put in."""
    with sink.recording() as tape:
        page.locator("#listen-top:not([aria-disabled])").click(timeout=LATE_MS)
        page.locator("#listen-stop").wait_for(timeout=LATE_MS)
        page.locator("#listen-stop").wait_for(state="hidden", timeout=LATE_MS)
        page.locator("#rate-form:visible, #judge-again:visible, #listen-top:visible").wait_for(
            timeout=LATE_MS
        )
    return gaps_s(tape.sounding(), sink.rate)


def outcome(listen: ListenRecord) -> str:
    if listen.void_reason is not None:
        return f"void: {listen.void_reason}"
    return "asked" if listen.awaits_judgement else "counted"


def hear_forms(page: Page, sink: NullSink, study: Study, listener: str) -> None:
    while not page.locator("#review-form").is_visible():
        gap = hear_one(page, sink)
        listen = study.log.contents(listener).listens_of(listener)[-1]
        seconds = listen.frames / study.manifest.sample_rate
        print(
            f"{listener}, {seconds:4.1f} s: missing {gap:.3f} s, by the page {listen.late_s:.3f} s, "
            f"{outcome(listen)}",
            flush=True,
        )
        if page.locator("#judge-count").is_visible():
            page.locator("#judge-count").click()
        if not page.locator("#listen").is_visible():
            page.locator("#overall").fill("50", timeout=LATE_MS)
            page.locator("#rate-keep").click()
            page.locator("#listen-top:visible, #review-form:visible").wait_for(timeout=LATE_MS)


@contextmanager
def page_of_a_study(bar_s: float, *flags: str) -> Iterator[tuple[NullSink, Browser, Served]]:
    """A study of three forms of two and three bars, served, and a browser that plays to a recorded device."""
    with (
        tempfile.TemporaryDirectory() as place,
        null_sink() as sink,
        chromium(sink.env, *flags) as browser,
        patch("listening.local.level.LEVEL_CHECK_S", 1.0),
        served(make_study(Path(place) / "study", bar_s=bar_s)) as page_of,
    ):
        yield sink, browser, page_of


def whole_rounds() -> None:
    with page_of_a_study(BAR_S) as (sink, browser, page_of), busy(PROCESSES):
        for listener in page_of.study.song.listeners:
            with open_page(browser, page_of.link(listener.name)) as page:
                sit_down(page)
                hear_forms(page, sink, page_of.study, listener.name)


def throttled() -> None:
    with (
        page_of_a_study(BAR_S) as (sink, browser, page_of),
        open_page(browser, page_of.link("ana")) as page,
    ):
        sit_down(page)
        throttle(page, SLOWER)
        hear_forms(page, sink, page_of.study, "ana")


def stalls() -> None:
    with (
        page_of_a_study(4.0, "--audio-buffer-size=1024") as (sink, browser, page_of),
        open_page(browser, page_of.link("ana")) as page,
    ):
        sit_down(page)
        for stall_s in STALLS_S:
            with sink.recording() as tape:
                stall_in_the_middle(page, stall_s)
                page.locator("#listen-stop").wait_for(state="hidden", timeout=LATE_MS)
                page.locator("#rate-form:visible, #judge-again:visible, #listen-top:visible").wait_for()
            listen = page_of.study.log.contents("ana").listens_of("ana")[-1]
            gap = gaps_s(tape.sounding(), sink.rate)
            print(
                f"stands still for {stall_s} s: missing {gap:.3f} s, by the page {listen.late_s:.3f} s, "
                f"{outcome(listen)}"
            )
            if page.locator("#judge-again").is_visible():
                page.locator("#judge-again").click()
            elif page.locator("#rate-form").is_visible():
                page.locator("#overall").fill("50")
                page.locator("#rate-keep").click()


def slow_line() -> None:
    with (
        page_of_a_study(2.0) as (_sink, browser, page_of),
        open_page(browser, page_of.link("ana")) as page,
    ):
        copies, manifest = page_of.app.state.sessions.copies, page_of.study.manifest
        size = len(copies.level_check(manifest)[0]) + travelling_bytes(copies.of(manifest))
        page.locator("#hello-go").wait_for()
        slow_down(page, SLOW_BYTES_S)
        began = time.monotonic()
        sit_down(page)
        needed_s = size / SLOW_BYTES_S
        print(
            f"{size / 1e6:.2f} MB at {8 * SLOW_BYTES_S / 1000:.0f} kbit/s need {needed_s:.1f} s; from the "
            f"press on Begin to a form that can begin, the level check heard meanwhile, "
            f"{time.monotonic() - began:.1f} s"
        )


if __name__ == "__main__":
    print(f"{datetime.now(UTC):%Y-%m-%d}")
    {"busy": whole_rounds, "throttled": throttled, "stalls": stalls, "slow": slow_line}[sys.argv[1]]()
