"""The report in a browser and on paper: nothing is fetched, nothing runs over, pages come out whole."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Browser

from reports.output.decide import decide
from reports.output.report import write_report
from sessions.study import Study
from tests.axe import findings
from tests.browser import browser
from tests.palettes import palette
from tests.report_studies import EIGHT, hear, likes, rendered, song_folder

__all__ = ["browser"]
pytestmark = [pytest.mark.browser, pytest.mark.silent]


@pytest.fixture(scope="module")
def page_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Eight forms, fourteen listeners, long names and comments, and a decision."""
    names = [f"listener {i}" for i in range(1, 12)] + ["王小明", "محمد", "W" * 60]
    study = rendered(song_folder(tmp_path_factory.mktemp("browser") / "song", EIGHT, names, rounds=2))

    def says(who: str, _form: str, number: int) -> list[tuple[float | None, str]]:
        long = "no-spaces-at-all" * 40 if who == "محمد" else "and on it goes " * 200
        return [(9.0, long)] if number == 2 and who in ("محمد", "listener 2") else []

    hear(study, likes(half=70), rounds=2, says=says, simulated=("listener 1",), aspects=True)
    paths = decide(study, "early bridge", "because", "listener 2").paths
    return next(path for path in paths if path.name == "report.html")


@pytest.mark.parametrize("width", [360, 768, 1280])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_width_makes_the_page_run_over(browser: Browser, page_file: Path, width: int, scheme: str) -> None:
    context = browser.new_context(viewport={"width": width, "height": 800}, color_scheme=scheme)  # type: ignore[arg-type]
    page = context.new_page()
    asked: list[str] = []
    complaints: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: complaints.append(message.text))
    page.goto(page_file.as_uri())
    assert asked == [page_file.as_uri()], "the page must fetch nothing"
    assert not complaints
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    ink, paper = (
        page.evaluate(f"getComputedStyle(document.documentElement).{name}")
        for name in ("color", "backgroundColor")
    )
    assert [_rgb(palette("light" if scheme == "light" else "dark")[name]) for name in ("ink", "paper")] == [
        ink, paper,
    ]  # fmt: skip
    stroke = page.evaluate("getComputedStyle(document.querySelector('figure svg text')).fill")
    assert stroke in (ink, page.evaluate("getComputedStyle(document.querySelector('.small')).color"))
    context.close()


def test_axe_finds_nothing(browser: Browser, tmp_path: Path) -> None:
    """All sections open, and the player in sight."""
    study: Study = rendered(song_folder(tmp_path / "song"))
    hear(study, likes(early_bridge=70), rounds=2, aspects=True)
    paths = decide(study, "early bridge", "because", "ana").paths
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    page = context.new_page()
    page.goto(next(path for path in paths if path.name == "report.html").as_uri())
    page.evaluate("document.querySelectorAll('details').forEach(part => { part.open = true; })")
    page.locator("button.hear").first.click()
    page.locator("#player").wait_for()
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        assert findings(page) == []
    context.close()


def _rgb(colour: str) -> str:
    """A hex colour as a browser says it."""
    return "rgb({}, {}, {})".format(*(int(colour[at : at + 2], 16) for at in (1, 3, 5)))


def test_paper(browser: Browser, page_file: Path, tmp_path: Path) -> None:
    """Printed from a dark screen it is dark on white; no table or chart is wider than the sheet."""
    context = browser.new_context(color_scheme="dark", viewport={"width": 680, "height": 1000})
    page = context.new_page()
    page.goto(page_file.as_uri())
    page.emulate_media(media="print")
    assert page.evaluate("getComputedStyle(document.documentElement).color") == _rgb(palette("print")["ink"])
    assert (
        page.evaluate(
            "[...document.querySelectorAll('table, figure, pre')]"
            ".filter(e => e.getBoundingClientRect().right > document.documentElement.clientWidth + 1)"
            ".map(e => e.outerHTML.slice(0, 80))"
        )
        == []
    )
    sheet = tmp_path / "report.pdf"
    page.pdf(path=sheet, prefer_css_page_size=True, print_background=False)
    data = sheet.read_bytes()
    assert data.startswith(b"%PDF") and data.count(b"/Type /Page\n") + data.count(b"/Type /Page ") >= 3
    context.close()


def test_a_table_wider_than_a_phone_shows_that_it_scrolls(browser: Browser, page_file: Path) -> None:
    """The shades at its edges, which lie behind the table's own while there is nothing beyond."""
    context = browser.new_context(viewport={"width": 390, "height": 800})
    page = context.new_page()
    page.goto(page_file.as_uri())
    seen = page.evaluate(
        "[...document.querySelectorAll('.scroll')].filter(e => e.scrollWidth > e.clientWidth)"
        ".map(e => getComputedStyle(e).backgroundAttachment)"
    )
    assert seen and set(seen) == {"local, local, scroll, scroll"}
    outside = "[...document.querySelectorAll('table')].filter(e => !e.closest('.scroll, .road-map')).length"
    assert page.evaluate(outside) == 0
    context.close()


def test_what_is_folded_on_the_screen_is_open_on_paper(browser: Browser, page_file: Path) -> None:
    context = browser.new_context()
    page = context.new_page()
    page.goto(page_file.as_uri())
    statistics = page.get_by_text("Friedman's test").first
    assert not statistics.is_visible()
    page.emulate_media(media="print")
    assert statistics.is_visible()
    context.close()


def test_a_sealed_page_fits_a_phone(browser: Browser, tmp_path: Path) -> None:
    study: Study = rendered(song_folder(tmp_path / "song"))
    hear(study, likes(early_bridge=70), rounds=1, finish=False)
    file = next(path for path in write_report(study).paths if path.name == "report.html")
    context = browser.new_context(viewport={"width": 360, "height": 640})
    page = context.new_page()
    page.goto(file.as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    assert page.get_by_text("sealed").first.is_visible()
    command = page.locator("code", has_text="report --open")
    for width in range(320, 480, 10):
        page.set_viewport_size({"width": width, "height": 640})
        lines = command.evaluate("x => { const all = document.createRange(); all.selectNodeContents(x);"
                                 " return all.getClientRects().length; }")  # fmt: skip
        assert lines == 1, f"{command.inner_text()} is broken at {width} px"
    assert findings(page) == []
    context.close()
