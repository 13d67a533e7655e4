"""A sheet that comes anew while somebody is at it (another tab, an editor or a job has changed something):
a key or a button held down, what is typed, chosen, asked, said or unfolded must all outlive it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.browser import STEP_MS, browser, open_page, until
from tests.hands import Keyboard
from tests.maker import MakerPage, maker_page
from tests.songs import make_study

__all__ = ["browser"]
pytestmark = [pytest.mark.browser, pytest.mark.silent]


# Tells when the page has read the next sheet's answer.
SHEET_CAME = """() => {
const { json } = Response.prototype;
window.came = false;
Response.prototype.json = async function () {
  const told = await json.call(this);
  window.came ||= this.url.includes("/api/sheet/");
  return told;
};
}"""


class Tabs:
    """The page in a browser, and somebody else at the same study."""

    def __init__(self, page: Page, work: MakerPage) -> None:
        self.page = page
        self.work = work
        self.turn = 0

    def sheet(self, name: str) -> None:
        self.page.locator(f"a[href='#{name}']").click()
        self.page.locator(f"body[data-sheet={name}]").wait_for(timeout=STEP_MS)

    def elsewhere(self) -> None:
        """Another tab gives the song another title, and the sheet here has come anew."""
        self.turn += 1
        title = f"title {self.turn}"
        self.page.evaluate("document.addEventListener('sheet', () => { window.anew = true }, { once: true })")
        self.page.evaluate("window.anew = false")
        self.work.do("title", {"title": title})
        until(lambda: bool(self.page.evaluate("window.anew")), self.page)

    def elsewhere_while_pressed(self, place: str, action: str, args: Mapping[str, object]) -> None:
        """A mouse button goes down on a place, another tab changes what stands above it, and it comes up."""
        self.page.locator("svg.level").first.wait_for(timeout=STEP_MS)  # the last that comes into this sheet
        self.page.locator(place).hover()
        self.page.mouse.down()
        expect(self.page.locator(f"{place}:active")).to_have_count(1, timeout=STEP_MS)
        self.page.evaluate(SHEET_CAME)
        self.work.do(action, args)
        until(lambda: bool(self.page.evaluate("window.came")), self.page)
        self.page.evaluate("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
        self.page.mouse.up()

    def focus(self) -> str:
        return str(self.page.evaluate("document.activeElement.id || document.activeElement.tagName"))


@pytest.fixture
def tabs(browser: Browser, tmp_path: Path) -> Iterator[Tabs]:
    with maker_page(make_study(tmp_path / "study")) as work, open_page(browser, work.link()) as page:
        page.locator("#from-1").wait_for(timeout=STEP_MS)
        yield Tabs(page, work)


def test_hands_and_words_outlive_a_sheet_that_comes_anew(tabs: Tabs) -> None:
    page = tabs.page
    tabs.sheet("sections")
    held_down(tabs)
    page.locator("#name-1").click()
    page.keyboard.press("ControlOrMeta+a")
    page.keyboard.type("open")
    tabs.elsewhere()
    page.keyboard.type("ing")  # the caret stays where it was
    page.keyboard.press("Tab")
    until(lambda: tabs.work.work.song().sections[0].name == "opening", page)
    page.locator("#bars-3").fill("3-60")
    page.keyboard.press("Tab")
    page.locator(".error").wait_for(timeout=STEP_MS)
    tabs.elsewhere()
    assert "leave nothing" in page.locator(".error").inner_text(), "an error stays until something is done"
    assert page.locator("#bars-3").input_value() == "3-60"
    page.locator("#bars-3").fill("3-6")
    page.keyboard.press("Tab")
    expect(page.locator(".error")).to_have_count(0, timeout=STEP_MS)
    questions_and_folds(tabs)


def held_down(tabs: Tabs) -> None:
    """A key and a mouse button go down, the sheet comes anew, and they come up."""
    page = tabs.page
    page.locator("#with-click").focus()
    page.keyboard.down("Space")
    tabs.elsewhere()
    page.keyboard.up("Space")
    assert page.locator("#with-click").is_checked()
    before = len(tabs.work.work.song().sections)
    tabs.elsewhere_while_pressed("#split-go-3", "split", {"section": "intro", "bar": 2})
    until(lambda: len(tabs.work.work.song().sections) == before + 2, page)
    page.locator("#join-5").wait_for(timeout=STEP_MS)
    Keyboard(page).press("#join-5")
    until(lambda: len(tabs.work.work.song().sections) == before + 1, page)
    page.locator("#join-5").wait_for(state="detached", timeout=STEP_MS)
    assert tabs.focus() not in ("BODY", "H1"), "the focus stays near to what went"


def questions_and_folds(tabs: Tabs) -> None:
    page = tabs.page
    tabs.sheet("forms")
    page.locator("#edit-2").click()
    page.locator("#form-out").click()
    tabs.elsewhere()
    assert "whole form" in page.locator(".error").inner_text()
    assert page.locator("#form-out").inner_text() == "Yes, take it out"
    page.locator("#edited").click()
    page.locator("#edit-2").click()
    expect(page.locator("#form-out")).to_have_text("take this form out", timeout=STEP_MS)
    lines_by_keys(tabs)
    tabs.sheet("song")
    page.locator("summary", has_text="stems").click()
    unfolded = page.locator("details", has_text="stems").evaluate("x => x.open")
    tabs.elsewhere()
    assert page.locator("details", has_text="stems").evaluate("x => x.open") == unfolded


def lines_by_keys(tabs: Tabs) -> None:
    """A line moved by keys and by its button; the focus goes with it."""
    page, texts = tabs.page, lambda: tabs.work.work.song().forms[1].texts
    before = texts()
    page.locator("#part-3").focus()
    page.keyboard.press("Alt+ArrowUp")
    until(lambda: tabs.focus() == "part-2", page)
    assert texts() == (before[0], before[2], before[1], *before[3:])
    Keyboard(page).press("#down-2")
    until(lambda: tabs.focus() in ("down-3", "part-3"), page)
    assert texts() == before
