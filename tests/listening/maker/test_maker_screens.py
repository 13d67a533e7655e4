"""Every sheet at phone, tablet and desktop width, light and dark: no axe finding, nothing too wide."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from tests.axe import findings
from tests.browser import browser, open_page, until
from tests.maker import MakerPage, maker_page
from tests.songs import make_study

__all__ = ["browser"]
pytestmark = [pytest.mark.browser]

SHEETS = ("song", "sections", "forms", "listeners", "rounds", "verdict")


@pytest.fixture(scope="module")
def work(tmp_path_factory: pytest.TempPathFactory) -> Iterator[MakerPage]:
    """The page of a small study with stems, rendered."""
    with maker_page(
        make_study(tmp_path_factory.mktemp("maker") / "study", stems=("drums", "voice"))
    ) as running:
        running.do("render", {}, "rounds")
        running.wait("render")
        yield running


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 768, 1440])
def test_every_sheet_is_accessible(browser: Browser, work: MakerPage, width: int, scheme: str) -> None:
    options = {"viewport": {"width": width, "height": 900}, "color_scheme": scheme, "bypass_csp": True}
    with open_page(browser, work.link(), **options) as page:
        page.locator("h1").first.wait_for()
        for sheet in SHEETS:
            page.locator(f"a[href='#{sheet}']").click()
            until(lambda sheet=sheet: page.evaluate("document.body.dataset.sheet") == sheet, page)  # type: ignore[misc]
            if sheet == "forms" and page.locator("button[id^=edit-]").count():
                page.locator("button[id^=edit-]").first.click()
                page.locator("#part-1").wait_for()
                page.locator("button[id^=more-]").first.click()
                page.locator("#compose").wait_for()
            assert findings(page) == [], f"{sheet} at {width} px, {scheme}"
            wide = page.evaluate("document.documentElement.scrollWidth")
            assert wide <= width, f"{sheet} is {wide} px wide on a screen of {width}"


def test_an_empty_folder_is_accessible(browser: Browser, tmp_path: Path) -> None:
    with maker_page(tmp_path) as work, open_page(browser, work.link(), bypass_csp=True) as page:
        page.locator("#bounce-file").wait_for()
        assert findings(page) == []
