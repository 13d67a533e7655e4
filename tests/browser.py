"""A real browser for tests.

Chromium comes from the system (Debian's package), driven by playwright; playwright's own --mute-audio is
dropped, so that what a page plays can be recorded.
"""

from __future__ import annotations

import os
import shutil
import signal
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

from tests.pulse import NullSink

FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip
STEP_MS = 30_000  # what one step may take on a slow machine, a short form heard included
NAMES = ("chromium", "chromium-browser", "google-chrome")


def chromium_path() -> str:
    """Where Chromium is; a test is skipped, naming it, where there is none."""
    found = next((path for name in NAMES if (path := shutil.which(name))), None)
    if found is None:
        pytest.skip("Chromium is not installed")
    return found


@contextmanager
def chromium(env: Mapping[str, str] | None = None) -> Iterator[Browser]:
    """A headless Chromium that plays sound (to the PulseAudio server of `env`, if there is one)."""
    path = chromium_path()
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=path, args=FLAGS, ignore_default_args=["--mute-audio"],
            env=dict(env if env is not None else os.environ),
        )  # fmt: skip
        try:
            yield browser
        finally:
            browser.close()


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """A browser whose sound nobody records, shared by a test module."""
    with chromium() as running:
        yield running


@pytest.fixture(scope="module")
def sounding_browser(sink: NullSink) -> Iterator[Browser]:
    """A browser that plays to the null sink (a test module imports `sink` too)."""
    with chromium(sink.env) as running:
        yield running


@contextmanager
def open_page(browser: Browser, address: str, **options: object) -> Iterator[Page]:
    """A fresh profile with one page on `address`. Errors on the page fail the test."""
    context: BrowserContext = browser.new_context(**options)  # type: ignore[arg-type]
    faults: list[str] = []
    page = context.new_page()
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on(
        "console", lambda m: faults.append(m.text) if m.type == "error" and not _is_network(m.text) else None
    )
    page.on("dialog", lambda dialog: dialog.accept())
    page.goto(address)
    try:
        yield page
        assert faults == [], faults
    except Exception:
        print("the page said:", page.locator("main").inner_text(timeout=2000)[:600])
        raise
    finally:
        with suppress(Exception):
            context.close()


def _is_network(text: str) -> bool:
    """Whether a console message is the browser's own about a request that failed or was refused."""
    return text.startswith("Failed to load resource")


@contextmanager
def asleep() -> Iterator[None]:
    """The browser and all that belongs to it stand still, as on a device that sleeps (Linux)."""
    pids = [pid for pid in _descendants(os.getpid()) if "chrom" in _command(pid)]
    assert pids, "no browser process was found"
    for pid in pids:
        os.kill(pid, signal.SIGSTOP)
    try:
        yield
    finally:
        for pid in pids:
            os.kill(pid, signal.SIGCONT)


def _command(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0")[0].decode()
    except OSError:
        return ""


def _descendants(pid: int) -> list[int]:
    found = []
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        with suppress(OSError):
            for child in map(int, task.read_text().split()):
                found += [child, *_descendants(child)]
    return found


def sit_down(page: Page, heard_on: str = "headphones") -> None:
    """From the greeting through the level check to the first code, as a person would."""
    page.locator("#hello-go").click()
    page.get_by_label(heard_on, exact=True).check()
    page.locator("#level-play:not([aria-disabled])").click()
    page.locator("#level-yes").click(timeout=STEP_MS)
    page.locator("#listen-top:not([aria-disabled])").wait_for(timeout=STEP_MS)


def hear(page: Page) -> str:
    """Hear the form that is due to its end; returns its code."""
    top = page.locator("#listen-top:not([aria-disabled])")
    top.wait_for(timeout=STEP_MS)
    code = page.locator("#listen-head").inner_text()
    top.click()
    page.locator("#rate-form").wait_for(timeout=STEP_MS)
    assert page.locator("#rate-head").inner_text() == code
    return code
