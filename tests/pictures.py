"""The README's pictures, made anew from a real run on the demo's song: `python -m tests.pictures`.

It writes small PNGs of the maker's page into tests/pictures/; listeners in it are the demo's scripts.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from playwright.sync_api import Page

from listening.demo.demo_study import play_through, write_study
from listening.maker.sheets.road_maps import unjudged
from listening.rendering import render_study
from render.steps import no_step
from sessions.study import Study
from tests.browser import STEP_MS, chromium, open_page, until
from tests.maker import MakerPage, maker_page

PICTURES = Path(__file__).with_name("pictures")
SIZE = {"width": 1100, "height": 760}


def take(page: Page, work: MakerPage, sheet: str, ready: str) -> None:
    """Picture of one sheet once `ready` is on it."""
    page.locator(f"a[href='#{sheet}']").click()
    page.locator(ready).first.wait_for(timeout=8 * STEP_MS)
    until(lambda: all(job.state != "runs" for job in work.work.jobs.all()), page)
    page.wait_for_timeout(1500)
    page.mouse.move(0, 0)
    page.screenshot(path=str(PICTURES / f"{sheet}.png"))


def main() -> None:
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "lanterns"
        write_study(folder)
        study = Study(folder)
        render_study(study, no_step)
        play_through(study)
        with (
            maker_page(folder) as work,
            chromium() as browser,
            open_page(browser, work.link(), viewport=SIZE, color_scheme="light") as page,
        ):
            take(page, work, "song", "#from-1")
            page.locator("a[href='#forms']").click()
            until(lambda: not unjudged(work.work, work.work.song()), page)
            take(page, work, "forms", ".maps")
            work.do("report", {}, "verdict")
            work.wait("report")
            take(page, work, "verdict", "iframe")


if __name__ == "__main__":
    main()
