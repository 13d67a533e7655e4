"""Whole rounds in a real browser on a busy machine, recorded at the sound device: what was missing, what
the page says was missing, and what became of each listen.

    python -m tests.benchmarks.bench_page_listens [BUSY PROCESSES]
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from subprocess import Popen
from unittest.mock import patch

from playwright.sync_api import Page

from sessions.records import ListenRecord
from sessions.study import Study
from tests.browser import chromium, open_page, sit_down
from tests.heard import gaps_s
from tests.page_study import make_study
from tests.pulse import NullSink, null_sink
from tests.serving import served

BAR_S = 10.0  # forms of 20 and 30 seconds
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


def hear_round(page: Page, sink: NullSink, study: Study, listener: str) -> None:
    sit_down(page)
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


def main(processes: int = 4) -> None:
    with (
        tempfile.TemporaryDirectory() as place,
        null_sink() as sink,
        chromium(sink.env) as browser,
        patch("listening.local.level.LEVEL_CHECK_S", 1.0),
    ):
        study = make_study(Path(place) / "study", bar_s=BAR_S)
        print(f"{datetime.now(UTC):%Y-%m-%d}, {processes} busy processes beside browser and server")
        with served(study) as page_of, busy(processes):
            for listener in study.song.listeners:
                with open_page(browser, page_of.link(listener.name)) as page:
                    hear_round(page, sink, study, listener.name)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
