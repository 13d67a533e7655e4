"""From rendered forms to the zip of the way back, by mouse alone and by keyboard alone: an artist and two
co-writers, one of them by packet. What is in the log and in the zip is what the commands give."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from listening.rounds import enter_round
from sessions.study import Study
from tests.browser import STEP_MS, browser, open_page, until
from tests.command_line import told
from tests.far_listener import answers_of
from tests.hands import Keyboard, Mouse
from tests.maker import MakerPage, maker_page
from tests.page_study import copied, rendered_short

__all__ = ["browser", "rendered_short"]
pytestmark = [pytest.mark.browser]

BECAUSE = "it turns the song round"


def hear_a_round(study: Study, name: str, best: str) -> None:
    """A co-writer's whole round, as the listening page writes it."""
    round_ = enter_round(study, name, any_day=True)
    sitting = study.log.sit_down(name, "headphones", "page")
    while (demand := round_.next_demand) is not None:
        listen = round_.begin(demand, sitting)
        study.log.end_listen(listen.id, demand.render.frames)
        study.log.rate(listen.id, {"overall": 80.0 if demand.render.name == best else 40.0})
        round_.refresh()
    round_.finish()


def let_listeners_in(hands: Mouse, page: Page, work: MakerPage, answers: Path) -> None:
    hands.press("a[href='#rounds']")
    hands.press("#host-here")
    page.locator("#stop-host").wait_for(timeout=2 * STEP_MS)
    hands.press("#link-2")
    page.locator(".message").wait_for(timeout=STEP_MS)
    assert "keep the screen on" in page.locator(".message").inner_text()
    with page.context.expect_page(timeout=2 * STEP_MS) as opened:
        hands.press("#own-3")
    own = opened.value
    own.locator("#hello-go").wait_for(timeout=STEP_MS)
    assert "Zoë <b>" in own.locator("body").inner_text()
    own.close()
    page.bring_to_front()
    hands.press("#packet-1")
    page.locator("button[data-download=packet]").first.wait_for(timeout=2 * STEP_MS)
    with page.expect_download(timeout=STEP_MS) as packet:
        hands.press("button[data-download=packet]")
    assert b"<html" in Path(packet.value.path()).read_bytes()[:2000]
    answers_of(work.study, answers)
    hands.give("#answers-file", answers)
    until(lambda: any(x.rating is not None for x in work.study.log.contents("ana").listens), page)


def open_and_decide(hands: Mouse, page: Page, work: MakerPage) -> bytes:
    hands.press("a[href='#verdict']")
    page.locator("#sentence").wait_for(timeout=2 * STEP_MS)
    assert "upside down" not in page.locator("#sheet").inner_text(), "sealed"
    hands.press("#open-early")
    expect(page.locator(".error")).to_contain_text("that is recorded", timeout=STEP_MS)
    hands.press("#open-early")
    page.locator("#decide-go").wait_for(timeout=4 * STEP_MS)
    page.locator("iframe").wait_for(timeout=2 * STEP_MS)
    hands.choose("#decide-form", "upside down")
    hands.write("#decide-by", "ana")
    hands.write("#decide-why", BECAUSE)
    hands.press("#decide-go")
    expect(page.locator(".error")).to_contain_text("is recorded", timeout=STEP_MS)
    hands.press("#decide-go")
    page.locator("#take-way").wait_for(timeout=4 * STEP_MS)
    hands.press("input[id^=tick-]")
    until(lambda: page.locator("input[id^=tick-]").first.is_checked(), page)
    with page.expect_download(timeout=STEP_MS) as zipped:
        hands.press("#take-way")
    return Path(zipped.value.path()).read_bytes()


@pytest.mark.parametrize("hand", [Mouse, Keyboard])
def test_from_rendered_forms_to_the_way_back(
    browser: Browser, rendered_short: Path, tmp_path: Path, hand: type[Mouse]
) -> None:
    study = copied(rendered_short, tmp_path / "study")
    with maker_page(study.folder) as work, open_page(browser, work.link()) as page:
        hands = hand(page)
        page.locator("h1").first.wait_for()
        let_listeners_in(hands, page, work, tmp_path / "answers.json")
        hear_a_round(work.study, "bo", "upside down")
        content = open_and_decide(hands, page, work)
    events = [event.kind for event in study.log.contents(listens=False).events]
    assert events.count("opened") == 1 and events.count("decided") == 1
    decided = next(e.detail for e in study.log.contents(listens=False).events if e.kind == "decided")
    assert (decided["form"], decided["by"], decided["because"]) == ("upside down", "ana", BECAUSE)
    told(study.folder, "decide", "upside down", "--by", "ana", "--because", BECAUSE, "--yes")
    by_both = [e.detail for e in study.log.contents(listens=False).events if e.kind == "decided"]
    for what in ("form", "by", "because", "against", "verdict"):
        assert by_both[0][what] == by_both[1][what], "the entry in the log is the command's"
    first, second = (next((study.folder / "report").glob(f"decision {n} - *")) for n in (1, 2))
    with zipfile.ZipFile(io.BytesIO(content)) as zipped:
        by_page = {name.partition("/")[2]: zipped.read(name) for name in zipped.namelist()}
    by_command = {p.relative_to(second).as_posix(): p.read_bytes() for p in second.rglob("*") if p.is_file()}
    assert by_page.keys() == by_command.keys() and first.is_dir()
    assert [name for name in by_page if by_page[name] != by_command[name]] == []
