"""How well a song's attacks fall on its grid, and what would fit better.

Bar by bar, the grid is slid against the attacks; the best path of offsets through the song (a shortest
path, so that one odd bar does not matter) shows what is wrong: a constant offset is a wrong start, a
slope a wrong tempo, anything else a performance that does not keep one tempo.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from render.grid import Grid, exact
from render.odd_bars import odd_bars
from render.onsets import Floats, Onsets, attack_times, onsets
from render.splice import Audio
from render.tempo_estimate import (
    STEADY,
    Pulse,
    downbeat_evidence,
    find_pulses,
    nearly_round,
)

# What a cut may be off before somebody hears it: a flam begins at 20 to 30 ms (common practice, no source).
SHIFT_S = 0.015
WRONG_S = 0.035
DRIFT_S = 0.04
ON_GRID_S = 0.025
DOWNBEAT_MARGIN = 0.6
CLEAR = 1.8  # how much stronger attacks must be along the best path than anywhere else
_STEP_S = 0.005
_REACH_S = 0.5
_CURVE_SIGMA_S = 0.012


@dataclass(frozen=True)
class TempoFit:
    """How the attacks lie against the grid.

    `on_grid`: share of attack strength within 25 ms of the grid's half beats, and `by_chance`, what
    scattered attacks would have. `offset_ms`: how late the attacks are against the grid where it starts.
    `odd_bars`: bars of another length that the grid does not have, None where there are none.
    `better_*` are None where nothing fits clearly better: a tempo (quarters a minute), a start (seconds),
    a downbeat (beats later). `counted` is a half or double tempo that the song is likelier counted in.
    `wrong_from_bar`: the first bar whose lines are more than 35 ms off for good. `drifts`: no constant
    tempo (or, in a song with changes, no such tempos) fits. `offsets_ms` by bar, from bar 1.
    """

    tempo: float
    has_beat: bool
    on_grid: float
    by_chance: float
    offset_ms: float
    better_tempo: float | None
    better_start_s: float | None
    counted: float | None
    better_downbeat_beats: int | None
    odd_bars: str | None
    drifts: bool
    drift_ms: float
    wrong_from_bar: int | None
    offsets_ms: tuple[float, ...]

    @property
    def fits(self) -> bool:
        """Nothing to mend."""
        wrong = (self.better_tempo, self.better_start_s, self.better_downbeat_beats, self.odd_bars)
        return self.has_beat and not self.drifts and wrong == (None,) * 4

    def as_json(self) -> dict[str, Any]:
        return asdict(self)

    def lines(self) -> list[str]:
        """What to tell a person, the most important first."""
        if not self.has_beat:
            return [
                "the attacks show no steady beat (free time, or no clear attacks): whether tempo and start "
                "are right cannot be heard from them, and if the song is played freely, a constant tempo "
                "will cut wrongly; check a few bar lines by ear before you trust a join"
            ]
        told = []
        if self.drifts:
            from_bar = f" from bar {self.wrong_from_bar} on" if self.wrong_from_bar else ""
            told.append(
                f"the performance does not keep one tempo (it strays by up to {self.drift_ms:.0f} ms): a "
                f"constant tempo will cut wrongly{from_bar}; add tempo changes to song.changes"
            )
        if self.better_tempo is not None:
            amount = self.better_tempo - self.tempo
            bar = self.wrong_from_bar
            since = f"; as it is, cuts are wrong from bar {bar} on" if bar else ""
            told.append(
                f"tempo {self.better_tempo:g} ({amount:+.3g}) would fit clearly better "
                f"than {self.tempo:g}{since}"
            )
        if self.better_start_s is not None:
            way = "later" if self.offset_ms > 0 else "earlier"
            told.append(
                f"the attacks are {abs(self.offset_ms):.0f} ms {way} "
                f"than the grid: start = {self.better_start_s:.3f} would fit better"
            )
        if self.better_downbeat_beats is not None:
            beats = self.better_downbeat_beats
            told.append(
                f"harmony and low notes change {beats} beat{'s' if beats > 1 else ''} after the bar lines: "
                "bar 1 probably begins there"
            )
        if self.odd_bars is not None:
            told.append(self.odd_bars)
        if self.counted is not None:
            told.append(
                f"the beat is rather {self.counted:g} than {self.tempo:g}: bars may be counted otherwise"
            )
        share = f"{self.on_grid:.0%} of the attacks lie within 25 ms of a half beat"
        share += f" (chance: {self.by_chance:.0%})"
        told.append(share if told else f"the tempo fits: {share}")
        return told


def fit(audio: Audio, sample_rate: int, grid: Grid) -> TempoFit:
    """Compare the attacks of `audio`, (frames, channels), with a grid."""
    return _Fit(audio, sample_rate, grid).result()


class _Fit:
    def __init__(self, audio: Audio, sample_rate: int, grid: Grid) -> None:
        self.audio, self.rate, self.grid = audio, sample_rate, grid
        self.tempo = float(grid.tempo)
        self.one_tempo = all(change.tempo is None for change in grid.changes)
        self.curve = onsets(audio, sample_rate)
        self.bars = 0
        while float(grid.line_s(self.bars + 2)) <= self.curve.seconds and self.bars < 5000:
            self.bars += 1

    def result(self) -> TempoFit:
        pulses = find_pulses(self.curve)
        if self.bars < 4 or not pulses:
            return self.told(has_beat=False)
        steady = pulses[0].agreement >= STEADY
        offsets, clearness = offset_path(self.curve, self.grid, self.bars)
        tempo = self.other_tempo(pulses) if steady and self.one_tempo else None
        if tempo is not None and self.keeps_better(tempo, offsets):
            wrong = self.first_wrong_bar((self.bars_s() - self.bars_s()[0]) * (self.tempo / tempo - 1))
            return self.told(has_beat=True, better_tempo=tempo, wrong_from_bar=wrong)
        if not steady and clearness < CLEAR:
            return self.told(has_beat=False)
        return self.judged(offsets, pulses, steady)

    def bars_s(self) -> Floats:
        return np.array([float(self.grid.line_s(bar)) for bar in range(1, self.bars + 1)])

    def keeps_better(self, tempo: float, offsets: Floats) -> bool:
        """Whether the song keeps `tempo` better than its grid's: a performance that strays keeps neither."""
        other = replace(self.grid, tempo=exact(round(tempo, 6)))
        theirs, _ = offset_path(self.curve, other, self.bars)
        return self.line_and_rest(theirs)[2] < 0.7 * self.line_and_rest(offsets)[2] + 0.01

    def line_and_rest(self, offsets: Floats) -> tuple[float, float, float]:
        """Slope, offset at bar 1, how far bars stray from that line (seconds, 95 %)."""
        bars_s = self.bars_s()
        slope, at_start = robust_line(bars_s - bars_s[0], offsets)
        rest = smooth(offsets - at_start - slope * (bars_s - bars_s[0]))
        return slope, at_start, float(np.percentile(np.abs(rest), 95))

    def told(self, has_beat: bool, **what: Any) -> TempoFit:
        on_grid, by_chance = self.on_grid()
        blank: dict[str, Any] = {
            "offset_ms": 0.0, "better_tempo": None, "better_start_s": None, "counted": None,
            "better_downbeat_beats": None, "odd_bars": None, "drifts": False, "drift_ms": 0.0,
            "wrong_from_bar": None, "offsets_ms": (),
        }  # fmt: skip
        return TempoFit(self.tempo, has_beat, on_grid, by_chance, **{**blank, **what})

    def judged(self, offsets: Floats, pulses: list[Pulse], steady: bool) -> TempoFit:
        beat_s = float(self.grid.stretch(1).beat_s)
        offsets = offsets - round(float(np.median(offsets)) / beat_s) * beat_s  # which beat is not told here
        slope, at_start, drift_s = self.line_and_rest(offsets)
        drifts = drift_s > DRIFT_S
        better_tempo = None
        if not drifts and self.one_tempo and abs(slope) * self.curve.seconds > 0.02:
            better_tempo = nearly_round(self.tempo / (1 + slope), self.curve.seconds)
        plain = better_tempo is None and not drifts
        shift_s = self.exact_shift(float(np.median(offsets))) if plain else at_start
        shifted = abs(shift_s) > SHIFT_S and not drifts
        start_s = float(self.grid.start_s) + shift_s
        wrong = offsets - (shift_s if shifted else 0.0)
        downbeat, odd = (None, None) if drifts or better_tempo else self.first_beats(shift_s)
        return self.told(
            has_beat=True,
            offset_ms=1000 * shift_s,
            better_tempo=better_tempo,
            better_start_s=round(max(start_s, 0.0), 3) if shifted else None,
            counted=None if drifts or not steady else self.counted(pulses),
            better_downbeat_beats=downbeat,
            odd_bars=odd,
            drifts=drifts,
            drift_ms=1000 * drift_s,
            wrong_from_bar=self.first_wrong_bar(smooth(wrong)) if drifts or better_tempo else None,
            offsets_ms=tuple(np.round(1000 * offsets, 1)),
        )

    def on_grid(self) -> tuple[float, float]:
        """Share of attack strength near half beats, and what chance would give."""
        steps = np.arange(len(self.curve.strength)) / self.curve.rate
        lines = self.half_beats()
        if len(lines) < 2 or self.curve.strength.sum() <= 0:
            return 0.0, 0.0
        inside = (steps >= lines[0]) & (steps <= lines[-1])
        nearest = np.clip(np.searchsorted(lines, steps), 1, len(lines) - 1)
        gap = np.minimum(np.abs(steps - lines[nearest - 1]), np.abs(steps - lines[nearest]))
        near = inside & (gap <= ON_GRID_S)
        share = self.curve.strength[near].sum() / max(self.curve.strength[inside].sum(), 1e-12)
        return float(share), float(near.sum() / inside.sum())

    def half_beats(self) -> Floats:
        halves = []
        for bar in range(1, self.bars + 1):
            beats, beat_s = self.grid.stretch(bar).meter.beats, float(self.grid.stretch(bar).beat_s)
            halves.append(float(self.grid.line_s(bar)) + np.arange(2 * beats) * beat_s / 2)
        return np.concatenate(halves) if halves else np.zeros(0)

    def other_tempo(self, pulses: list[Pulse]) -> float | None:
        """A tempo that attacks agree on, more than 0.4 % from the grid's and from its simple multiples."""
        agreeing = [p for p in pulses if p.agreement >= 0.5 * pulses[0].agreement]
        for pulse in agreeing:
            for ratio in (1.0, 2.0, 0.5, 1.5, 3.0, 0.75, 2 / 3, 1 / 3, 4 / 3):
                if abs(pulse.tempo * ratio / self.tempo - 1) < 0.004:
                    return None
        close = min(
            (p.tempo * r for p in agreeing for r in (1.0, 0.5, 2.0, 1.5)),
            key=lambda tempo: abs(np.log2(tempo / self.tempo)),
        )
        return nearly_round(close, self.curve.seconds)

    def counted(self, pulses: list[Pulse]) -> float | None:
        """Half or double the grid's tempo, where that is clearly the likelier beat."""
        if self.grid.meter.unit != 4:
            return None
        own = next((p for p in pulses if abs(p.tempo / self.tempo - 1) < 0.004), None)
        best = pulses[0]
        ratio = best.tempo / self.tempo
        if min(abs(ratio - 2), abs(ratio - 0.5)) > 0.01:
            return None
        clear = own is None or best.score - own.score > 0.4
        return nearly_round(best.tempo, self.curve.seconds) if clear else None

    def exact_shift(self, rough_s: float) -> float:
        """The offset to the millisecond, from the attacks nearest to the beats."""
        beats = self.half_beats()[::2] + rough_s
        attacks = attack_times(self.audio, self.rate, beats)
        if len(attacks) < 8:
            return rough_s
        nearest = np.clip(np.searchsorted(beats, attacks), 1, len(beats) - 1)
        before, after = attacks - beats[nearest - 1], attacks - beats[nearest]
        return rough_s + float(np.median(np.where(np.abs(before) < np.abs(after), before, after)))

    def first_beats(self, shift_s: float) -> tuple[int | None, str | None]:
        """How many beats after the grid's bar lines the bars rather begin, and odd bars, where clear."""
        per_bar = self.grid.meter.beats
        if self.grid.changes or per_bar < 2 or self.bars < 8:
            return None, None
        odd = odd_bars(self.audio, self.rate, self.curve, self.grid, self.bars)
        if odd.bars:
            return odd.first_offset or None, odd.line(self.grid.meter)
        beats = self.half_beats()[::2] + shift_s
        evidence = downbeat_evidence(self.audio, self.rate, self.curve, beats[beats >= 0], per_bar)
        best = int(np.argmax(evidence))
        return (best if best and evidence[best] - evidence[0] > DOWNBEAT_MARGIN else None), None

    def first_wrong_bar(self, offsets: Floats) -> int | None:
        """The first bar from which on the lines are more than 35 ms off for good."""
        wrong = np.abs(offsets) > WRONG_S
        if not wrong.any():
            return None
        fine = np.flatnonzero(~wrong)
        lasting = int(fine[-1]) + 1 if len(fine) else 0
        # a performance may come back to the grid by chance: then the first stray bar counts
        return int(np.flatnonzero(wrong)[0]) + 1 if lasting >= len(wrong) else lasting + 1


def offset_path(curve: Onsets, grid: Grid, bars: int) -> tuple[Floats, float]:
    """How late the attacks are in each bar (seconds), and how clear that is (0 = as by chance).

    The shortest path through bars x offsets: attacks on beats are worth going there, moving costs.
    """
    steps = np.arange(-_REACH_S, _REACH_S + _STEP_S, _STEP_S)
    blurred = curve.smooth(_CURVE_SIGMA_S)
    match = np.empty((bars, len(steps)))
    for bar in range(1, bars + 1):
        stretch = grid.stretch(bar)
        beats = float(grid.line_s(bar)) + np.arange(2 * stretch.meter.beats) * float(stretch.beat_s) / 2
        weights = np.tile([1.0, 0.3], stretch.meter.beats)
        match[bar - 1] = weights @ blurred.at(beats[:, None] + steps) / weights.sum()
    padded = np.vstack([match[:1], match, match[-1:]])
    pooled = padded[:-2] + 2 * padded[1:-1] + padded[2:]  # neighbours help a bar that rests
    gain = np.log(0.3 + pooled / (pooled.mean(axis=1, keepdims=True) + 1e-9))
    beat_s = float(grid.stretch(1).beat_s)
    gain[0] -= (steps / beat_s / 0.5) ** 2  # of all the beats, the nearest
    path = _best_path(gain, np.abs(np.arange(-12, 13)) * _STEP_S / 0.02 * 0.35)
    along = match[np.arange(bars), path]
    clearness = float(along.mean() / max(match.mean(), 1e-9) - 1)
    clear = np.flatnonzero(along >= 0.3 * np.median(along))  # bars of soft attacks tell nothing: bridge them
    found: Floats = np.interp(np.arange(bars), clear, steps[path][clear]) if len(clear) else steps[path]
    return found, clearness


def _best_path(gain: Floats, cost: Floats) -> NDArray[np.intp]:
    reach = len(cost) // 2
    total, came = gain[0], []
    for row in gain[1:]:
        padded = np.pad(total, reach, constant_values=-np.inf)
        options = np.stack([padded[i : i + len(row)] - cost[i] for i in range(len(cost))])
        best = options.argmax(axis=0)
        came.append(best - reach)
        total = options.max(axis=0) + row
    path = [int(np.argmax(total))]
    for moves in reversed(came):
        path.append(path[-1] + int(moves[path[-1]]))
    return np.array(path[::-1])


def robust_line(x: Floats, y: Floats) -> tuple[float, float]:
    """Slope and value at 0 by Theil and Sen: the median of all slopes, deaf to a few odd bars."""
    i, j = np.triu_indices(len(x), k=max(len(x) // 4, 1))
    slope = float(np.median((y[j] - y[i]) / (x[j] - x[i])))
    return slope, float(np.median(y - slope * x))


def smooth(offsets: Floats) -> Floats:
    """Running median over 5 bars."""
    padded = np.pad(offsets, 2, mode="edge")
    found: Floats = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
    return found
