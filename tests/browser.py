"""A real browser for tests.

Chromium comes from the system (Debian's package), driven by playwright; playwright's own --mute-audio is
dropped, so that what a page plays can be recorded.
"""

from __future__ import annotations

import os
import shutil
import signal
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright

from tests.pulse import NullSink
from tests.stalls import machine, says_stalled

FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip
STEP_MS = 30_000  # what one step may take on a slow machine, a short form heard included
MOST_STALLS = 3  # of this machine, in one form: a page that voids every listen is at fault
SOME_S = 1.0  # of a form, where something is to happen in the middle of it
expect.set_options(timeout=STEP_MS)  # its own five seconds are a quick machine's
NAMES = ("chromium", "chromium-browser", "google-chrome")

# What a test can see of a page's sound, which the page itself shows to nobody: how far it is, what has come.
WITNESS = """{
const Context = AudioContext, { start } = AudioBufferSourceNode.prototype;
const { read } = ReadableStreamDefaultReader.prototype;
window.made = [];
window.AudioContext = class extends Context { constructor(how) { super(how); made.push(this); } };
AudioBufferSourceNode.prototype.start = function (at) {
  this.context.top_s = at;
  return start.call(this, at);
};
window.heard_s = () => (made.at(-1)?.top_s === undefined ? 0 : made.at(-1).currentTime - made.at(-1).top_s);
window.fetched_bytes = 0;
ReadableStreamDefaultReader.prototype.read = async function () {
  const got = await read.call(this);
  window.fetched_bytes += got.value?.length ?? 0;
  return got;
};
}"""


def chromium_path() -> str:
    """Where Chromium is; a test is skipped, naming it, where there is none."""
    browser_path = next((path for name in NAMES if (path := shutil.which(name))), None)
    if browser_path is None:
        pytest.skip("Chromium is not installed")
    return browser_path


@contextmanager
def chromium(env: Mapping[str, str] | None = None, *flags: str) -> Iterator[Browser]:
    """A headless Chromium that plays sound (to the PulseAudio server of `env`, if there is one)."""
    path = chromium_path()
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=path, args=[*FLAGS, *flags], ignore_default_args=["--mute-audio"],
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
    machine()  # is watched from here on
    context.add_init_script(WITNESS)
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
        for one in context.pages:
            with suppress(Exception):
                print("a page said:", one.locator("main").inner_text(timeout=2000)[:600])
        raise
    finally:
        with suppress(Exception):
            context.close()


def _is_network(text: str) -> bool:
    """Whether a console message is the browser's own: a request that failed or was refused, or a header that
    it takes by HTTPS only."""
    return text.startswith(
        ("Failed to load resource", "The Cross-Origin-Opener-Policy header has been ignored")
    )


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


def stall_in_the_middle(page: Page, stall_s: float) -> None:
    """Begin the form that is due; three seconds into it its browser stands still for so long, once."""
    page.locator("#listen-top:not([aria-disabled])").wait_for(timeout=STEP_MS)
    page.locator("#listen-top").click()
    until(lambda: bool(page.evaluate("heard_s() >= 3")), page)
    with asleep():
        time.sleep(stall_s)


def slow_down(page: Page, bytes_per_s: float) -> None:
    """A line of that speed, 40 ms away (DevTools protocol, Network)."""
    session = page.context.new_cdp_session(page)
    session.send("Network.enable")
    session.send(
        "Network.emulateNetworkConditions",
        {"offline": False, "latency": 40, "downloadThroughput": bytes_per_s, "uploadThroughput": -1},
    )


def throttle(page: Page, rate: float) -> None:
    """A processor so many times slower (DevTools protocol, Emulation)."""
    page.context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": rate})


def _command(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0")[0].decode()
    except OSError:
        return ""


def _descendants(pid: int) -> list[int]:
    pids = []
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        with suppress(OSError):
            for child in map(int, task.read_text().split()):
                pids += [child, *_descendants(child)]
    return pids


def until(happened: Callable[[], bool], page: Page) -> None:
    """Wait for what the page does not show; as long as a step may take."""
    most = time.monotonic() + STEP_MS / 1000
    while not happened():
        assert time.monotonic() < most, "it did not happen"
        page.wait_for_timeout(20)


def sit_down(page: Page, heard_on: str = "headphones") -> None:
    """From the greeting through the level check to the first code, as a person would."""
    page.locator("#hello-go").click()
    page.get_by_label(heard_on, exact=True).check()
    hear_level(page)
    page.locator("#level-yes").click()
    page.locator("#listen-top:not([aria-disabled])").wait_for(timeout=STEP_MS)


def hear_level(page: Page) -> None:
    """Hear the level check to its end, and once more if it broke off because this machine stood still."""
    whole, play = page.locator("#level-yes"), page.locator("#level-play:not([aria-disabled])")
    for _ in range(MOST_STALLS):
        play.wait_for(timeout=STEP_MS)
        since = time.time()
        play.click()
        until(lambda: whole.is_visible() or play.is_visible(), page)
        if whole.is_visible():
            return
        assert machine().stood_still(since, time.time()), page.locator("#notice").inner_text()
    raise AssertionError("no level check was heard to its end")


def hear(page: Page, midway: Callable[[], object] | None = None) -> str:
    """Hear the form that is due to its end, with something done `midway`; returns its code."""
    code = begin(page, page.locator("#rate-form").is_visible, midway)
    assert page.locator("#rate-head").inner_text() == code
    return code


def start(page: Page) -> str:
    """Begin the form that is due; returns its code when some of it has been heard."""
    return begin(page, lambda: _heard_some(page))


def begin(page: Page, comes: Callable[[], bool], midway: Callable[[], object] | None = None) -> str:
    """Press "From the top" and wait for what `comes` of it; returns the code.

    Where this machine stood still meanwhile the listen is void, and a person would press again; or it
    stumbled, and a person would count it.
    """
    top, stumbled = page.locator("#listen-top:not([aria-disabled])"), page.locator("#judge-count")
    for _ in range(MOST_STALLS):
        top.wait_for(timeout=STEP_MS)
        code, since = page.locator("#listen-head").inner_text(), time.time()
        top.click()
        if midway is not None:
            until(lambda: _heard_some(page) or top.is_visible(), page)
            midway()
        until(lambda: comes() or top.is_visible() or stumbled.is_visible(), page)
        if stumbled.is_visible():
            assert machine().stood_still(since, time.time()), page.locator("#judge-text").inner_text()
            stumbled.click()
            until(comes, page)
        if comes():
            return code
        words = page.locator("#notice").inner_text()
        assert says_stalled(words) and machine().stood_still(since, time.time()), words
    raise AssertionError(f"no listen was whole: {words}")


def end_round(page: Page) -> None:
    """From the review to the round's end: the ratings stand, and nothing is said to the last questions."""
    page.locator("#review-stand").click()
    page.locator("#questions-done").click()


def _heard_some(page: Page) -> bool:
    return bool(page.evaluate(f"heard_s() >= {SOME_S}"))
