"""Every sheet at phone, tablet and desktop width, light and dark: no axe finding, nothing too wide."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from tests.axe import findings
from tests.browser import STEP_MS, browser, open_page, until
from tests.maker import MakerPage, hear_one, maker_page
from tests.songs import make_study

__all__ = ["browser"]
pytestmark = [pytest.mark.browser, pytest.mark.silent]

SHEETS = ("song", "sections", "forms", "listeners", "rounds", "verdict")
LOOKS = [(width, scheme) for width in (390, 768, 1440) for scheme in ("light", "dark")]
FORM, LISTENER = "refrain first", "ana"


@pytest.fixture
def work(tmp_path: Path) -> Iterator[MakerPage]:
    """The page of a small study with stems, rendered and served, with a link and a packet given out, and
    one form rated."""
    folder = make_study(tmp_path / "study", stems=("drums", "voice"))
    with maker_page(folder) as running:
        running.do("render", {}, "rounds")
        running.wait("render")
        running.do("host", {"lan": True}, "rounds")
        running.wait("host")
        running.do("link", {"listener": LISTENER}, "rounds")
        running.do("packet", {"listener": LISTENER}, "rounds")
        running.wait("packet")
        hear_one(running.study, LISTENER, 60.0, "a word")
        yield running


def test_every_sheet_is_accessible(browser: Browser, work: MakerPage) -> None:
    """Sealed, then decided on: the verdict's sheet with the steps of the way back and the report's frame."""
    with open_page(browser, work.link(), bypass_csp=True) as page:
        page.locator("h1").first.wait_for()
        for sheet in SHEETS:
            see(page, work, sheet)
        assert page.locator("#open-early").is_visible()
        work.do("decide", {"form": FORM, "by": LISTENER, "because": "it lifts"}, "verdict")
        work.wait("decide")
        page.locator("input[id^=tick-]").first.wait_for(timeout=STEP_MS)
        page.locator("iframe").wait_for(timeout=STEP_MS)
        see(page, work, "verdict")
        for scheme in ("light", "dark"):
            on_paper(page, scheme)


def see(page: Page, work: MakerPage, sheet: str) -> None:
    """One sheet, with what it can unfold, at every width, light and dark."""
    page.locator(f"a[href='#{sheet}']").click()
    until(lambda: page.evaluate("document.body.dataset.sheet") == sheet, page)
    if sheet == "forms":
        page.locator("button[id^=edit-]").first.click()
        page.locator("#part-1").wait_for()
        page.locator("button[id^=more-]").first.click()
        page.locator("#compose").wait_for()
    elif sheet == "listeners":
        page.locator("details[id^=others-] summary").first.click()
    elif sheet == "rounds":
        assert page.locator("#message-1").is_visible()
        assert page.locator(".qr").is_visible() or "127.0.0.1" in page.locator("#message-1").inner_text()
    elif sheet == "verdict":
        page.locator("#sentence").wait_for(timeout=STEP_MS)
    until(lambda: all(job.state != "runs" for job in work.work.jobs.all()), page)
    for width, scheme in LOOKS:
        page.set_viewport_size({"width": width, "height": 900})
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        assert findings(page) == [], f"{sheet} at {width} px, {scheme}"
        wide = page.evaluate("document.documentElement.scrollWidth")
        assert wide <= width, f"{sheet} is {wide} px wide on a screen of {width}"


def on_paper(page: Page, scheme: str) -> None:
    """What is printed: the sentence, who decided, the steps with boxes; nothing to press, dark or not."""
    page.emulate_media(media="print", color_scheme=scheme)  # type: ignore[arg-type]
    for shown in ("#sentence", ".paper", "#decide-head", "input[id^=tick-]"):
        assert page.locator(shown).first.is_visible(), shown
    for gone in ("nav", "footer", "button", "iframe", "details", "input[type=file]", "textarea"):
        assert not any(one.is_visible() for one in page.locator(gone).all()), gone
    colours = page.evaluate(
        "['--ink', '--paper'].map((x) => getComputedStyle(document.documentElement).getPropertyValue(x))"
    )
    assert colours == ["#000000", "#ffffff"], scheme
    page.emulate_media(media="screen")


def test_an_empty_folder_is_accessible(browser: Browser, tmp_path: Path) -> None:
    with maker_page(tmp_path) as work, open_page(browser, work.link(), bypass_csp=True) as page:
        page.locator("#bounce-file").wait_for()
        assert findings(page) == []
