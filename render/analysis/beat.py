"""Whether a song's beat lies on its grid, in one typed result for `new`, `check` and the maker's page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from render.analysis.onsets import Onsets
from render.analysis.tempo_fit import TempoFit, fit
from render.arrays import Audio
from render.song.grid import Grid


@dataclass(frozen=True)
class StartReading:
    """A place where bar 1 may begin: `start_s` seconds into the audio, and why."""

    start_s: float
    reason: str


@dataclass(frozen=True)
class BeatFit:
    """How the song's attacks lie on its grid.

    `headline` says it in a few words ("fits within 6 ms from the top to the end"). `fits`: nothing to mend.
    `within_ms`: how far 95 % of the bars stray, None where there is no steady beat to tell it by.
    `runs_away_after_bar`: the last bar whose lines are right, None where they stay right. `better_tempo`
    (quarters a minute) and `better_start_s` are None where nothing fits clearly better. `starts`: the
    readings that compete, where two do. `doubts`: sentences for a person, the most important first.
    """

    fits: bool
    headline: str
    within_ms: float | None
    runs_away_after_bar: int | None
    better_tempo: float | None
    better_start_s: float | None
    starts: tuple[StartReading, ...]
    doubts: tuple[str, ...]


def fit_beat(
    audio: Audio, sample_rate: int, grid: Grid, section_bars: Sequence[int] = (), curve: Onsets | None = None
) -> BeatFit:
    """Compare the attacks of `audio`, (frames, channels), with a grid.

    `section_bars`: first bars of the song's sections, which tell which bar is bar 1; `curve`: the song's
    onset curve where it is known already.
    """
    found = fit(audio, sample_rate, grid, section_bars, curve)
    starts: tuple[StartReading, ...] = ()
    if found.better_start_s is not None:
        starts = (
            StartReading(found.start_s, "as song.toml has it"),
            StartReading(found.better_start_s, "as the attacks have it"),
        )
    last_right = found.wrong_from_bar - 1 if found.wrong_from_bar is not None else None
    return BeatFit(
        found.fits, _headline(found), found.drift_ms if found.has_beat else None, last_right,
        found.better_tempo, found.better_start_s, starts, () if found.fits else tuple(found.lines()),
    )  # fmt: skip


def _headline(found: TempoFit) -> str:
    if not found.has_beat:
        return "no steady beat can be heard"
    if found.wrong_from_bar is not None:
        return f"runs away after bar {max(found.wrong_from_bar - 1, 1)}"
    if not found.lines_fit:
        return f"lies {abs(found.offset_ms):.0f} ms beside the beat"
    return f"fits within {max(found.drift_ms, 1):.0f} ms from the top to the end"
