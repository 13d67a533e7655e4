"""A person at a page, by mouse alone or by keyboard alone: the same gestures, for tests of the whole way."""

from __future__ import annotations

from pathlib import Path

from playwright.sync_api import Error, Page, expect

from tests.browser import STEP_MS

MOST_TABS = 400


class Mouse:
    """By mouse (and what only a keyboard can do: writing into a field)."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.actions = 0
        page.on("filechooser", lambda _chooser: None)  # told to the browser now, not while a key is pressed

    def press(self, place: str) -> None:
        """A button, a link, a tick."""
        self.actions += 1
        self.page.locator(f"{place}:not([disabled])").first.click(timeout=STEP_MS)

    def write(self, place: str, text: str) -> None:
        """A field's text, kept by leaving the field."""
        self.actions += 1
        field = self.page.locator(place)
        field.click(timeout=STEP_MS)
        field.fill(text)
        self.page.locator("h1").first.click()

    def choose(self, place: str, option: str) -> None:
        """An option of a list."""
        self.actions += 1
        self.page.locator(place).select_option(option)

    def give(self, place: str, *files: Path) -> None:
        """Files, by the page's own chooser."""
        self.actions += 1
        with self.page.expect_file_chooser(timeout=STEP_MS) as chooser:
            self.page.locator(place).click()
        chooser.value.set_files([str(file) for file in files])


class Keyboard(Mouse):
    """By keyboard alone: Tab to the place, then what a person would press."""

    def press(self, place: str) -> None:
        self.actions += 1
        self._reach(place)
        self.page.keyboard.press("Space" if self._is("input") else "Enter")

    def write(self, place: str, text: str) -> None:
        self.actions += 1
        self._reach(place)
        self.page.keyboard.press("ControlOrMeta+a")
        self.page.keyboard.type(text)
        self.page.keyboard.press("Tab")

    def choose(self, place: str, option: str) -> None:
        self.actions += 1
        self._reach(place)
        there = self.page.locator(place).evaluate("list => [...list.options].map(x => x.value)")
        at, wanted = (there.index(x) for x in (self.page.locator(place).input_value(), option))
        for step in range(abs(wanted - at)):
            self.page.keyboard.press("ArrowDown" if wanted > at else "ArrowUp")
            now = there[at + (step + 1) * (1 if wanted > at else -1)]
            expect(self.page.locator(place)).to_have_value(now, timeout=STEP_MS)
        self.page.keyboard.press("Tab")

    def give(self, place: str, *files: Path) -> None:
        self.actions += 1
        self._reach(place)
        try:
            with self.page.expect_file_chooser(timeout=STEP_MS) as chooser:
                self.page.keyboard.press("Enter")
        except Error:
            print("the focus is on", self.page.evaluate("document.activeElement?.outerHTML"))
            raise
        chooser.value.set_files([str(file) for file in files])

    def _reach(self, place: str) -> None:
        """Tab on until the place has the focus; forward, as it is drawn."""
        self.page.locator(f"{place}:not([disabled])").first.wait_for(timeout=STEP_MS)
        for _ in range(MOST_TABS):
            if self._is(place):
                return
            self.page.keyboard.press("Tab")
        raise AssertionError(f"{place} cannot be reached by keyboard")

    def _is(self, place: str) -> bool:
        return bool(self.page.evaluate("place => document.activeElement?.matches(place) ?? false", place))
