"""A finger on a touch screen, for tests: real touches by Chromium's own input (DevTools protocol, Input)."""

from __future__ import annotations

from itertools import pairwise

from playwright.sync_api import CDPSession, Page

STEPS = 12
STEP_MS = 16  # one frame of a screen


class Finger:
    """One finger on a page; the page's own `touch-action` decides what scrolls."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self._session: CDPSession = page.context.new_cdp_session(page)

    def tap(self, x: float, y: float) -> None:
        self._send("touchStart", (x, y))
        self._send("touchEnd")
        self.page.wait_for_timeout(STEP_MS)

    def drag(self, *places: tuple[float, float]) -> None:
        """Down on the first place, along the others, up at the last."""
        self._send("touchStart", places[0])
        for (x, y), (to_x, to_y) in pairwise(places):
            for step in range(1, STEPS + 1):
                share = step / STEPS
                self._send("touchMove", (x + (to_x - x) * share, y + (to_y - y) * share))
                self.page.wait_for_timeout(STEP_MS)
        self._send("touchEnd")
        self.page.wait_for_timeout(10 * STEP_MS)

    def _send(self, kind: str, place: tuple[float, float] | None = None) -> None:
        points = [] if place is None else [{"x": place[0], "y": place[1]}]
        self._session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
