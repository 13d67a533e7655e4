"""From a bounce dropped onto an empty folder to rendered forms, by mouse alone and by keyboard alone; and
the same steps in the terminal give the same song.toml and the same renders."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser, Page, expect

from listening.maker.sheets.road_maps import unjudged
from render.renders.manifest import manifest_path, read_manifest
from tests.browser import STEP_MS, browser, open_page, until
from tests.command_line import told
from tests.hands import Keyboard, Mouse
from tests.maker import MakerPage, maker_page
from tests.songs import make_study, toml_text

__all__ = ["browser"]
pytestmark = [pytest.mark.browser]

STEMS = ("drums", "voice")
SECTIONS = {
    "intro": {"bars": "1-2"}, "verse": {"bars": "3-6"}, "refrain": {"bars": "7-10", "pickup": 1},
    "outro": {"bars": "11-12"},
}  # fmt: skip
FORMS = {"refrain first": ["refrain without drums", "verse", "silence 1 bar", "refrain x2", "outro"]}


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bounce and its stems, somewhere else: an invented song."""
    return make_study(tmp_path_factory.mktemp("elsewhere"), stems=STEMS)


@pytest.fixture(scope="module")
def terminal(tmp_path_factory: pytest.TempPathFactory, source: Path) -> Path:
    """`new` on the same files, the same changes by hand in an editor, and `render`."""
    folder = tmp_path_factory.mktemp("terminal")
    for name in ("song.wav", *(f"stems/{stem}.wav" for stem in STEMS)):
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_bytes((source / name).read_bytes())
    new = ("new", str(folder / "song.wav"), "--tempo", "120", "--stems", str(folder / "stems"), "--yes")
    told(folder, *new, study=False)
    path = folder / "song.toml"
    by_hand = tomllib.loads(path.read_text())
    changes = [{"bar": 9, "meter": "2/4"}, {"bar": 10, "meter": "4/4"}]
    by_hand["song"] |= {"start": 0.25, "changes": changes}
    by_hand |= {"sections": SECTIONS, "forms": FORMS, "listeners": {"ana": {"prior_listens": 20}}}
    path.write_text(toml_text({key: value for key, value in by_hand.items() if value}))
    told(folder, "render")
    return folder


def settle(page: Page, work: MakerPage) -> None:
    """Wait until the page shows what was done last."""
    until(lambda: not page.locator("[aria-busy=true]").count(), page)
    until(lambda: page.evaluate("Boolean(document.querySelector('#sheet h1'))"), page)
    assert page.locator(".error").all_inner_texts() == []
    del work


def begin(hands: Mouse, page: Page, work: MakerPage, source: Path) -> None:
    hands.give("#bounce-file", source / "song.wav")
    page.locator("#bounce-1").wait_for(timeout=STEP_MS)
    hands.give("#stem-files", *(source / "stems" / f"{name}.wav" for name in STEMS))
    until(lambda: page.locator("#folder").input_value() == "stems", page)
    hands.write("#tempo", "120")
    hands.press("#begin-go")
    page.locator("#from-1").wait_for(timeout=4 * STEP_MS)
    settle(page, work)


def set_the_beat(hands: Mouse, page: Page, work: MakerPage) -> None:
    hands.write("#start", "0.25")
    until(lambda: float(work.work.song().grid.start_s) == 0.25, page)
    hands.press("#changes-head")
    hands.write("#odd-bar", "9")
    hands.press("#odd-go")
    page.locator("#no-change-9").wait_for(timeout=STEP_MS)
    hands.press("#from-1")
    expect(page.locator("#caution")).to_contain_text("Loud listening harms hearing")
    hands.press("#caution-go")
    expect(page.locator("#from-1")).to_have_attribute("aria-pressed", "true", timeout=STEP_MS)
    until(lambda: page.locator("#place").inner_text().startswith("bar "), page)
    hands.press("#from-1")
    hands.press("#beat-lies")
    until(lambda: "in order" in page.locator("a[href='#song']").inner_text(), page)
    settle(page, work)


def set_the_sections(hands: Mouse, page: Page, work: MakerPage) -> None:
    hands.press("a[href='#sections']")
    page.locator("ol.sections").wait_for(timeout=STEP_MS)
    while page.locator("button[data-do=join_before]").count():
        before = len(work.work.song().sections)
        hands.press("button[data-do=join_before]")
        until(lambda before=before: len(work.work.song().sections) < before, page)  # type: ignore[misc]
        settle(page, work)
    hands.write("#bars-1", "1-12")
    for first, bar in ((1, 3), (3, 7), (7, 11)):
        hands.write(f"#split-{first}", str(bar))
        hands.press(f"#split-go-{first}")
        page.locator(f"#name-{bar}").wait_for(timeout=STEP_MS)
        settle(page, work)
    for bar, name in ((1, "intro"), (3, "verse"), (7, "refrain"), (11, "outro")):
        hands.write(f"#name-{bar}", name)
        until(lambda name=name: name in {s.name for s in work.work.song().sections}, page)  # type: ignore[misc]
    hands.choose("#pickup-7", "1")
    until(lambda: work.work.song().sections[2].pickup_beats == 1, page)
    hands.press("#hear-7")
    expect(page.locator("#hear-7")).to_have_attribute("aria-pressed", "true", timeout=STEP_MS)
    until(lambda: page.locator(".suggested").count() == 0, page)
    settle(page, work)


def write_the_forms(hands: Mouse, page: Page, work: MakerPage) -> None:
    hands.press("a[href='#forms']")
    page.locator(".maps").wait_for(timeout=STEP_MS)
    while page.locator("button[id^=edit-]").count():  # those to begin with are not wanted here
        before = len(work.work.song().forms)
        hands.press("button[id^=edit-]")
        page.locator("#form-out").wait_for(timeout=STEP_MS)
        hands.press("#form-out")
        expect(page.locator(".error")).to_contain_text("whole form")
        hands.press("#form-out")
        until(lambda before=before: len(work.work.song().forms) < before, page)  # type: ignore[misc]
        settle(page, work)
    hands.write("#new-form", "refrain first")
    hands.press("#new-form-go")
    page.locator("#part-4").wait_for(timeout=STEP_MS)
    hands.write("#part-1", "refrian")
    expect(page.locator(".error")).to_contain_text('did you mean "refrain"', timeout=STEP_MS)
    for part in ("refrain without drums", "verse", "refrain x2", "outro"):
        number = ("refrain without drums", "verse", "refrain x2", "outro").index(part) + 1
        hands.write(f"#part-{number}", part)
        until(lambda part=part: part in work.work.song().forms[1].texts, page)  # type: ignore[misc]
    hands.press("#more-3")
    hands.write("#silence", "1 bar")
    hands.press("#compose")
    until(lambda: list(work.work.song().forms[1].texts) == FORMS["refrain first"], page)
    until(lambda: not unjudged(work.work, work.work.song()), page)
    hands.press("button[id^=join-]")
    expect(page.locator("button[data-play=join][aria-pressed=true]")).to_have_count(1, timeout=STEP_MS)
    hands.press("#edited")


def listen_and_render(hands: Mouse, page: Page, work: MakerPage) -> None:
    hands.press("a[href='#listeners']")
    hands.write("#listener-name", "ana")
    hands.write("#listener-prior", "20")
    hands.press("#listener-go")
    until(lambda: len(work.work.song().listeners) == 1, page)
    settle(page, work)
    hands.press("a[href='#rounds']")
    hands.press("#render")
    page.locator("#host-here").wait_for(timeout=4 * STEP_MS)


@pytest.mark.parametrize("hand", [Mouse, Keyboard])
def test_from_a_bounce_to_rendered_forms(
    browser: Browser, tmp_path: Path, source: Path, terminal: Path, hand: type[Mouse]
) -> None:
    folder = tmp_path / "study"
    folder.mkdir()
    with maker_page(folder) as work, open_page(browser, work.link()) as page:
        hands = hand(page)
        begin(hands, page, work, source)
        set_the_beat(hands, page, work)
        set_the_sections(hands, page, work)
        write_the_forms(hands, page, work)
        listen_and_render(hands, page, work)
        assert hands.actions < 60
        by_page = tomllib.loads(work.work.text())
    told(folder, "check")
    assert by_page["sections"] == SECTIONS and by_page["forms"] == FORMS
    by_hand = tomllib.loads((terminal / "song.toml").read_text())
    assert {key: value for key, value in by_page.items() if value} == by_hand
    here, there = (read_manifest(manifest_path(study)) for study in (folder, terminal))
    assert [f.sha256 for f in here.forms] == [f.sha256 for f in there.forms]
    assert len(here.forms) == 2 and np.isclose(here.forms[0].lufs, here.forms[1].lufs, atol=0.05)
