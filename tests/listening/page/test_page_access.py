"""The page by keyboard alone, for screen readers, small and large, light and dark (WCAG 2.2 AA).

What a tool can check, axe-core checks (from the package axe-playwright-python); the rest is asked here,
with the success criterion beside it.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from tests.axe import findings
from tests.browser import browser, hear, hear_level, open_page, until
from tests.page_study import SONG_TOML, make_study
from tests.serving import Served, page_of

__all__ = ["browser", "page_of"]
pytestmark = pytest.mark.browser

LOOKS = [(360, 740, "light"), (1440, 900, "dark")]  # colour does not depend on size, nor size on colour
LONG_MS = 30_000


@pytest.fixture(scope="module")
def rendered_short(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What `page_of` serves here: two forms of seven seconds, long enough to look at the page in one."""
    toml = "\n".join(line for line in SONG_TOML.splitlines() if "no middle" not in line)
    return make_study(tmp_path_factory.mktemp("access") / "study", bar_s=2.0, toml=toml).folder


def screens(page: Page) -> Iterator[str]:
    """Goes through a round, stopping at every screen there is."""
    page.locator("#hello-go").wait_for()
    yield "hello"
    page.locator("#hello-go").click()
    page.locator("#level-play:not([aria-disabled])").wait_for()
    yield "level"
    page.get_by_label("headphones", exact=True).check()
    hear_level(page)
    yield "level-heard"
    page.locator("#level-yes").click()
    for number in range(2):
        if number > 0:
            hear(page)
        else:
            page.locator("#listen-top:not([aria-disabled])").wait_for(timeout=LONG_MS)
            yield "listen"
            page.locator("#listen-top").click()
            page.locator("#listen-keep").click()
            page.locator("#listen-keep").click()
            yield "playing"
            page.locator("#rate-form").wait_for(timeout=LONG_MS)
            yield "rate"
            page.locator("#opening").fill("loud")
            page.locator("#rate-keep").click()
            page.locator("#overall-error").wait_for()
            yield "rate-errors"
            page.locator("#opening").fill("61")
            page.locator("#moment-1").fill("Hier fehlt mir der Atem vor dem Refrain.")
            page.locator("#moment-2").fill("هنا أجمل لحظة في الأغنية")
        page.locator("#overall").fill(str(70 - 20 * number))
        if number == 0:
            yield "rate-filled"
        page.locator("#rate-keep").click()
    page.locator("#review-form").wait_for(timeout=LONG_MS)
    yield "review"
    page.locator("#review-stand").click()
    page.locator("#questions-form").wait_for(timeout=LONG_MS)
    yield "questions"
    page.locator("#questions-cuts input").first.check()
    page.locator("#questions-done").click()
    page.locator("#rest-again").wait_for(timeout=LONG_MS)
    yield "rest"
    page.evaluate("void Rating.judge(581, { at_s: 130, length_s: 1.2 })")  # as after a listen that stumbled
    yield "judge"


def look(page: Page, width: int, height: int, scheme: str) -> None:
    page.set_viewport_size({"width": width, "height": height})
    page.emulate_media(color_scheme=scheme, reduced_motion="reduce")  # type: ignore[arg-type]


def test_every_screen_in_every_size_and_light(browser: Browser, page_of: Served) -> None:
    faults: list[tuple[object, ...]] = []
    seen = []
    with open_page(browser, page_of.link("ana")) as page:
        for name in screens(page):
            seen.append(name)
            for width, height, scheme in LOOKS:
                look(page, width, height, scheme)
                faults += [(name, width, scheme, fault) for fault in findings(page)]
            faults += [(name, fault) for fault in own_faults(page)]
            if name == "rate":
                draw_on_the_line(page)
        page.evaluate("document.querySelector('main').append(document.createElement('input'))")
        assert "label" in {x.partition(":")[0] for x in findings(page)}, "axe sees a fault when there is one"
    assert len(seen) == 12
    assert faults == []


def draw_on_the_line(page: Page) -> None:
    """The line says the same as the number, and says nothing at first."""
    assert page.locator("#overall").input_value() == ""
    assert not page.locator("#rule-mark").is_visible()
    box = page.locator("#rule").bounding_box()
    assert box is not None
    page.mouse.click(box["x"] + 0.25 * box["width"], box["y"] + 10)
    assert abs(int(page.locator("#overall").input_value()) - 25) <= 1
    assert page.locator("#rule-mark").is_visible()
    page.locator("#overall").fill("")
    assert not page.locator("#rule-mark").is_visible()


def own_faults(page: Page) -> list[str]:
    """What axe does not see."""
    faults = []
    page.set_viewport_size({"width": 320, "height": 640})  # 1.4.10: no sideways scrolling at 320 px
    if page.evaluate("document.documentElement.scrollWidth") > 320:
        faults.append("it scrolls sideways at 320 px")
    small = page.evaluate(
        """[...document.querySelectorAll("button, input[type=text], textarea, label:has(input)")]
        .filter(e => e.checkVisibility()).map(e => [e.id || e.textContent, e.getBoundingClientRect().height])
        .filter(([, height]) => height < 43.9)"""
    )
    faults += [f"{name} is only {height} px high" for name, height in small]  # 2.5.8 asks 24, we give 44
    like = page.locator("progress, meter, audio, video, canvas, input[type=range], [role=slider]").count()
    if like:
        faults.append("it has a bar, a slider or a player")
    if page.evaluate("document.getAnimations().length"):
        faults.append("something moves although motion is to be reduced")  # 2.3.3
    return faults


def test_a_round_by_keyboard_alone(browser: Browser, page_of: Served) -> None:
    """2.1.1 keyboard, 2.4.3 focus order, 2.4.7 focus visible, 4.1.3 status messages."""
    with open_page(browser, page_of.link("ana")) as page:
        page.locator("#hello-go").wait_for()
        assert comes_to(page, "hello-head"), "a new screen begins at its heading"
        tab_to(page, "hello-go")
        assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
        page.keyboard.press("Enter")
        page.locator("#level-play:not([aria-disabled])").wait_for()
        assert comes_to(page, "level-head")
        page.keyboard.press("Tab")
        page.keyboard.press("Space")
        tab_to(page, "level-play")
        page.keyboard.press("Enter")
        page.locator("#level-yes").wait_for(timeout=LONG_MS)
        tab_to(page, "level-yes")
        page.keyboard.press("Enter")
        page.locator("#listen-top:not([aria-disabled])").wait_for()
        assert comes_to(page, "listen-head")
        tab_to(page, "listen-top")
        page.keyboard.press("Enter")
        page.locator("#listen-keep").wait_for()
        assert comes_to(page, "listen-keep")
        page.keyboard.press("Space")
        status = page.locator("#notice")
        assert status.get_attribute("role") == "status"
        page.locator("#listen-kept[role=status]").get_by_text("1 moment kept").wait_for()
        page.locator("#rate-form").wait_for(timeout=LONG_MS)
        assert comes_to(page, "rate-head")
        tab_to(page, "rate-keep")
        page.keyboard.press("Enter")
        page.locator("#overall-error").wait_for()
        assert comes_to(page, "overall"), "an error leads to its field (3.3.1)"
        assert page.locator("#overall").get_attribute("aria-invalid") == "true"
        page.keyboard.type("72")
        tab_to(page, "moment-1")
        page.keyboard.type("по-русски")
        page.keyboard.press("Control+Home")
        tab_to(page, "rate-keep")
        page.keyboard.press("Enter")
        page.locator("#listen-top:not([aria-disabled])").wait_for(timeout=LONG_MS)
        status.get_by_text("is rated").wait_for()
    (listen,) = page_of.study.log.contents("ana").listens
    assert listen.rating == 72 and listen.comments[0][1] == "по-русски"


def comes_to(page: Page, name: str) -> bool:
    """Whether the focus is there, or comes there."""
    until(lambda: focused(page) == name, page)
    return True


def focused(page: Page) -> str:
    return str(page.evaluate("document.activeElement.id"))


def tab_to(page: Page, name: str) -> None:
    for _ in range(25):
        page.keyboard.press("Tab")
        if focused(page) == name:
            return
    raise AssertionError(f"{name} cannot be reached by Tab")
