"""The shortest errand on the maker's page, and its second half on a long song:
`python -m tests.benchmarks.bench_maker_way`.

The errand goes from a bounce and an empty folder to the first form heard blind, in Chromium, by mouse, with
a second for every action; the song is the demo's (2:47, 48 kHz). The long song has 10 minutes at 96 kHz and
five forms that two listeners have rated: the verdict read, the study opened and its report in place, the
decision with its way back, and the server's memory. Prints Markdown.
"""

from __future__ import annotations

import shutil
import tempfile
import time
from pathlib import Path

from playwright.sync_api import Page

from listening.demo.demo_study import write_study
from listening.rendering import render_study
from listening.rounds import Round, enter_round
from sessions.study import Study
from tests.benchmarks.bench_maker import opened, seconds
from tests.browser import STEP_MS, chromium, open_page, until
from tests.clocks import EVENING_UTC, Ticking
from tests.hands import Mouse
from tests.maker import maker_page
from tests.songs import make_study

ACTION_S = 1.0
LONG = {"rate": 96_000, "bars": 300}  # bars of 2 s


class Unhurried(Mouse):
    """By mouse, with a second for every action."""

    def press(self, place: str) -> None:
        self.page.wait_for_timeout(1000 * ACTION_S)
        super().press(place)

    def write(self, place: str, text: str) -> None:
        self.page.wait_for_timeout(1000 * ACTION_S)
        super().write(place, text)

    def give(self, place: str, *files: Path) -> None:
        self.page.wait_for_timeout(1000 * ACTION_S)
        super().give(place, *files)


def errand(hands: Unhurried, page: Page, bounce: Path) -> tuple[int, Page]:
    """Actions on the maker's page, and the listening page that it opened."""
    hands.give("#bounce-file", bounce)
    page.locator("#begin-go:not([disabled])").wait_for(timeout=STEP_MS)
    hands.press("#begin-go")
    page.locator("#from-1").wait_for(timeout=20 * STEP_MS)
    hands.press("#from-1")
    hands.press("#caution-go")
    hands.press("#from-1")  # stop
    hands.press("#beat-lies")
    hands.press("a[href='#listeners']")
    hands.write("#listener-name", "ana")
    hands.press("#listener-go")
    page.locator("#listener-1").wait_for(timeout=STEP_MS)
    hands.press("a[href='#rounds']")
    hands.press("#render")
    page.locator("#own-1").wait_for(timeout=20 * STEP_MS)
    with page.context.expect_page(timeout=20 * STEP_MS) as tab:
        hands.press("#own-1")
    return hands.actions, tab.value


def listen(hands: Unhurried, page: Page) -> None:
    """From the greeting through the level check to the first form's sound."""
    hands.press("#hello-go")
    hands.press("input[type=radio]")
    hands.press("#level-play:not([aria-disabled])")
    page.locator("#level-yes").wait_for(timeout=4 * STEP_MS)
    hands.press("#level-yes")
    hands.press("#listen-top:not([aria-disabled])")
    until(lambda: bool(page.evaluate("heard_s() > 0.2")), page)


def shortest_errand() -> str:
    """One row of the table."""
    with tempfile.TemporaryDirectory() as place:
        write_study(Path(place) / "demo")
        bounce = next(path for path in (Path(place) / "demo").glob("*.wav"))
        folder = Path(place) / "empty"
        folder.mkdir()
        with maker_page(folder) as work, chromium() as browser, open_page(browser, work.link()) as page:
            page.locator("#bounce-file").wait_for(timeout=STEP_MS)
            since = time.perf_counter()
            made, own = errand(hands := Unhurried(page), page, bounce)
            ears = Unhurried(own)
            listen(ears, own)
            taken_s = time.perf_counter() - since
            del hands
        forms = len(Study(folder).manifest.forms)
    total = made + ears.actions
    return f"| {forms} forms, `new`'s own | {made} + {ears.actions} = {total} | {taken_s / 60:.1f} |"


def rated_long_song(folder: Path) -> None:
    half = LONG["bars"] // 2
    sections = {"one": f"1-{half}", "two": f"{half + 1}-{LONG['bars']}"}
    forms = {
        "turned": ["two", "one"], "twice": ["one", "one"], "short": ["one bars 1-8", "two"],
        "gap": ["one", "silence 1 bar", "two"],
    }  # fmt: skip
    make_study(folder, **LONG, sections=sections, forms=forms, listeners={"ana": {}, "bo": {}})  # type: ignore[arg-type]
    clock = Ticking(EVENING_UTC)
    study = Study(folder, clock)
    render_study(study, lambda *_: None)
    for day in range(3):
        clock.forward(hours=24)
        for name in ("ana", "bo"):
            round_ = enter_round(study, name, any_day=True)
            sitting = study.log.sit_down(name, "headphones", "page")
            for at, demand in enumerate(round_.demands):
                listen_ = round_.begin(demand, sitting)
                clock.forward(seconds=demand.render.seconds)
                study.log.end_listen(listen_.id, demand.render.frames)
                study.log.rate(listen_.id, {"overall": 50.0 + 7 * at + day})
            Round(study, name).finish()


def second_half() -> str:
    """One row of the table."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "study"
        rated_long_song(folder)
        page = opened(folder)
        try:
            page.client.get("/api/sheet/verdict").raise_for_status()
            read_s = page.wait("verdict")
            page.do("open_study", {"early": True}, "verdict")
            report_s = page.wait("report")
            ticket = page.client.post("/api/ticket/report", json={}).json()["ticket"]
            frame_s = seconds(lambda: page.client.get(f"/report/{ticket}/report.html").raise_for_status())
            page.client.get("/api/sheet/verdict").raise_for_status()
            page.wait("verdict")
            page.do("decide", {"form": "turned", "by": "ana", "because": "it lifts"}, "verdict")
            decide_s = page.wait("decide")
            page.client.get("/api/sheet/verdict").raise_for_status()
            page.wait("verdict")
            html = page.client.get("/api/sheet/verdict").json()["html"]
            step = html.partition('id="after-')[2][:12]
            after_s = seconds(lambda: page.client.get(f"/api/sound/after?step={step}").raise_for_status())
            now, peak = page.memory_mb()
        finally:
            page.end()
        size = sum(p.stat().st_size for p in (folder / "report" / "audio").glob("*")) / 1e6
        shutil.rmtree(folder)
    return (
        f"| {read_s:.1f} | {report_s:.1f} ({size:.0f} MB of sound) | {frame_s:.3f} | {decide_s:.1f} "
        f"| {after_s:.3f} | {now:.0f} / {peak:.0f} |"
    )


HEADS = (
    ("from a bounce to the first blind listen", "actions: page + listening page", "minutes"),
    ("verdict read, s", "opened, report written, s", "report in place, s", "decided, s",
     "a step heard after, s", "memory now / peak, MB"),
)  # fmt: skip


def main() -> None:
    for head, row in zip(HEADS, (shortest_errand, second_half), strict=True):
        print(f"| {' | '.join(head)} |\n|{'---|' * len(head)}")
        print(row(), flush=True)
        print()


if __name__ == "__main__":
    main()
