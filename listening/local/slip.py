"""Underruns of a sound device, their place and length, measured from the times of its callbacks."""

from __future__ import annotations

from dataclasses import dataclass

from sessions.records import Stumble

WINDOW_S = 1.0
REACH = 4  # windows before and after that are compared
LEAST_SLIP_S = 0.05  # below it, a busy machine's jitter is not told from a gap


@dataclass
class _Window:
    """A second or so: the least slip in it, and its longest time without a callback with what had been handed
    over by then."""

    began_s: float
    least_s: float
    widest_s: float = 0.0
    handed_s: float = 0.0


class SlipMeter:
    """Finds gaps in what a device played from when it asked for more.

    A device whose buffer is full asks for sound as it plays it, so the wall clock less what was handed over
    (the slip) stays where it is; a late callback raises it for a moment, a buffer that ran empty for good.
    So the least of it in some seconds is compared with the seconds before: slow drift between two clocks
    never shows.
    """

    def __init__(self) -> None:
        self._windows: list[_Window] = []
        self._last_s: float | None = None

    def asked(self, now_s: float, handed_s: float) -> None:
        """The device asks for more at `now_s`, after `handed_s` seconds of sound were handed over."""
        slip_s = now_s - handed_s
        if not self._windows or now_s - self._windows[-1].began_s >= WINDOW_S:
            self._windows.append(_Window(now_s, slip_s))
        window = self._windows[-1]
        window.least_s = min(window.least_s, slip_s)
        if self._last_s is not None and now_s - self._last_s > window.widest_s:
            window.widest_s, window.handed_s = now_s - self._last_s, handed_s
        self._last_s = now_s

    def stumbles(self) -> list[Stumble]:
        """The gaps so far, by when what was in the buffer had been played."""
        stumbles = []
        first = 0  # of the windows since the last gap
        windows = self._windows
        if self._last_s is not None and self._last_s - windows[-1].began_s < WINDOW_S / 2:
            windows = windows[:-1]  # too short to show what stays
        for at in range(1, len(windows)):
            before = windows[max(first, at - REACH) : at]
            after = windows[at : at + REACH]
            slip_s = min(w.least_s for w in after) - min(w.least_s for w in before)
            if slip_s > LEAST_SLIP_S:
                widest = max(windows[at - 1], windows[at], key=lambda w: w.widest_s)
                stumbles.append(Stumble(widest.handed_s, slip_s))
                first = at
        return stumbles
