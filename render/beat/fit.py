"""Whether a song's beat lies on its grid: tempo, drift, phase, the first beat of the bar.

The grid is judged by how the attacks' phases in it hold together from window to window, compared with the
same song on grids that are none of it; a tempo in a simple ratio to the song's, by whether attacks agree on
its beats and half beats; half a beat, by low sounds, harmony and strength over the whole song.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from render.analysis.onsets import Onsets, onsets
from render.arrays import Audio, Floats
from render.beat.bar_one import BarOne, bar_one, changes_are_sure, first_beat
from render.beat.half_beat import half_beat
from render.beat.lateness import SHIFT_S, Lateness, late_s, lateness
from render.beat.meter_changes import NO_ODD_BARS, OddBars, odd_bars
from render.beat.phases import BeatPhases, beat_lines, beat_phases, chance_agreement, strays_s
from render.beat.result import NEAR_BEAT, BeatFit
from render.beat.robust import robust_line, smooth
from render.beat.tempo_estimate import (
    STEADY,
    find_pulses,
    nearly_round,
    other_half_s,
    phase_agreement,
)
from render.song.grid import Grid, exact

WRONG_S = 0.035
DRIFT_S = 0.025  # in nine tenths of the bars: right grids have 17 ms at most, swaying takes 34
ON_GRID_S = 0.025
FEWEST_BARS = 4
# Our own settings, chosen on invented songs, scores and the real songs of the half "tune".
HAS_BEAT = 2.0  # times what chance agreement is; songs have 5.7 and more, free time and swells 1.1
COHERENT = 0.75  # songs on their grid have .95 and more, half a beat a minute off .51 at most
RATIOS = (2 / 3, 3 / 4, 4 / 3, 3 / 2, 1 / 3, 3.0)
CLEARLY_BETTER = 1.2  # agreement on another tempo's beats: right tempos have .96 at most, wrong ones 1.39
_FASTEST = 260.0
FASTEST_DOTTED = 110.0  # dotted quarters a minute; a faster pulse of a compound meter is its eighths


def fit_beat(
    audio: Audio, sample_rate: int, grid: Grid, section_bars: Sequence[int] = (), curve: Onsets | None = None
) -> BeatFit:
    """Compare the attacks of `audio`, (frames, channels), with a grid.

    `section_bars`: first bars of the song's sections, which tell which bar is bar 1; `curve`: the song's
    onset curve where it is known already.
    """
    return _Fit(audio, sample_rate, grid, section_bars, curve or onsets(audio, sample_rate)).result()


class _Fit:
    def __init__(
        self, audio: Audio, sample_rate: int, grid: Grid, section_bars: Sequence[int], curve: Onsets
    ) -> None:
        self.audio, self.rate, self.grid, self.section_bars = audio, sample_rate, grid, section_bars
        self.curve = curve
        self.tempo = float(grid.tempo)
        self.beat_s = float(grid.stretch(1).beat_s)
        self.one_tempo = not grid.beats_s and all(change.tempo is None for change in grid.changes)
        self.bars = bars_within(grid, curve.seconds)

    def result(self) -> BeatFit:
        if self.bars < FEWEST_BARS or self.curve.strength.sum() <= 0:
            return self.beat_fit(has_beat=False)
        phases = beat_phases(self.curve, self.grid, self.bars)
        part = phases.clearest
        by_chance = chance_agreement(self.curve, self.grid, self.bars, part)
        steady_here = phases.local_agreement(part) > HAS_BEAT * by_chance
        if steady_here and phases.coherence(part) >= COHERENT:
            tempo = self.related_tempo() if self.one_tempo else None
            return self.far_off(tempo) if tempo is not None else self.judged(phases)
        tempo = self.other_tempo() if self.one_tempo else None
        if tempo is not None:
            return self.far_off(tempo)
        return self.judged(phases) if steady_here else self.beat_fit(has_beat=False)

    def beat_fit(self, has_beat: bool, **what: Any) -> BeatFit:
        """What is always known, and `what` was found beside it."""
        return BeatFit(
            self.tempo, float(self.grid.start_s), self.beat_s, self.grid.meter.beats, has_beat,
            *self.on_grid(), followed=not self.one_tempo, **what,
        )  # fmt: skip

    def far_off(self, tempo: float) -> BeatFit:
        """Another tempo fits, and this one does not."""
        bars_s = np.array([float(self.grid.line_s(bar)) for bar in range(1, self.bars + 1)])
        off_s = (bars_s - bars_s[0]) * (self.tempo / tempo - 1)
        return self.beat_fit(
            has_beat=True, better_tempo=tempo, wrong_from_bar=first_wrong_bar(off_s),
            within_ms=1000 * float(np.percentile(np.abs(off_s), 95)),
        )  # fmt: skip

    def judged(self, phases: BeatPhases) -> BeatFit:
        """The grid's tempo, or near it: what strays, what is late."""
        part = phases.clearest
        offsets = phases.offsets_s(part)
        slope, at_start, rest = line_and_rest(self.grid, offsets)
        clarity = phases.clarity(part)
        drift_s = strays_s(rest, clarity, 0.95)
        drifts = strays_s(rest, clarity, 0.9) > DRIFT_S or phases.coherence(part) < COHERENT
        better_tempo = None
        if not drifts and self.one_tempo and abs(slope) * self.curve.seconds > 0.02:
            better_tempo = nearly_round(self.tempo / (1 + slope), self.curve.seconds)
        if drifts or better_tempo is not None:
            wrong = smooth(offsets - (offsets[0] if drifts else 0.0))
            if drifts:
                drift_s = float(np.percentile(np.abs(wrong), 95))
            return self.beat_fit(
                has_beat=True, within_ms=1000 * drift_s, offset_ms=1000 * at_start, drifts=drifts,
                better_tempo=better_tempo, wrong_from_bar=first_wrong_bar(wrong),
            )  # fmt: skip
        late = lateness(self.audio, self.rate, self.curve, self.half_beats(), self.beat_s)
        start = self.start_on_beats(late.late_s) if self.grid.beats_s else self.start(late)
        return self.beat_fit(True, **({"within_ms": 1000 * drift_s, "counted": self.counted()} | start))

    def start_on_beats(self, shift_s: float) -> dict[str, Any]:
        """Whether a live take's beats lie on the attacks, and which of them begins a bar."""
        if abs(shift_s) > SHIFT_S:
            return {"drifts": True, "offset_ms": 1000 * shift_s, "within_ms": 1000 * abs(shift_s)}
        place = first_beat(self.audio, self.rate, self.curve, self.grid, self.bars, 0.0)
        late_ms = 1000 * shift_s
        return {"offset_ms": late_ms, "first_beat_clear": place == 0, "better_downbeat_beats": place or None}

    def start(self, late: Lateness) -> dict[str, Any]:
        """Which half of the beat, which beat of the bar, which bar: where bar 1 rather begins."""
        shift_s, moves = late.late_s, late.clear
        start_s = float(self.grid.start_s) + shift_s
        half_s = other_half_s(self.curve, start_s, self.beat_s) - start_s
        beats = np.maximum(beat_lines(self.grid, self.bars)[0][:-1] + shift_s, 0.0)
        half = half_beat(self.audio, self.rate, self.curve, beats)
        rival = None
        if half.sure and half.evidence < 0:
            shift_s, moves = shift_s + half_s, True
        elif not half.sure:
            rival = round(start_s + half_s, 3)
        first = self.first_beats(shift_s, moves, rival is None)
        return {"offset_ms": 1000 * shift_s, "rival_start_s": rival, **first}

    def first_beats(self, shift_s: float, moves: bool, sure: bool) -> dict[str, Any]:
        """Where bar 1 rather begins, and odd bars, where that is clear."""
        near = abs(shift_s) <= NEAR_BEAT * self.beat_s
        moved = float(self.grid.start_s) + shift_s if moves else None
        clear = first_beat(self.audio, self.rate, self.curve, self.grid, self.bars, shift_s) == 0
        if not sure:  # of the beat itself: nothing is built on it
            return {"better_start_s": moved and round(max(moved, 0.0), 3)}
        odd = odd_bars(self.audio, self.rate, self.curve, self.grid, self.bars)
        if odd.bars and not self.odd_bars_are_sure(odd):
            odd = NO_ODD_BARS
        if odd.bars:
            bar_1 = BarOne(odd.first_offset, None)
        else:
            bar_1 = bar_one(
                self.audio, self.rate, self.curve, self.grid, self.bars, shift_s, self.section_bars
            )
        start_s = moved if not bar_1.place and near else bar_1.start_s
        return {
            "better_start_s": round(max(start_s, 0.0), 3) if start_s is not None else None,
            "better_downbeat_beats": bar_1.place or None,
            "first_beat_clear": clear,
            "beside_the_beat": start_s is None and not near,
            "sections_agreeing": bar_1.agreeing,
            "sections_asked": bar_1.sections,
            "odd_bars": odd.line(self.grid.meter) if odd.bars else None,
        }

    def odd_bars_are_sure(self, odd: OddBars) -> bool:
        """Whether first beats are clear between them, as `new` asks before it writes them."""
        start_s = self.grid.start_s + odd.first_offset * self.grid.stretch(1).beat_s
        changed = replace(self.grid, start_s=start_s, changes=odd.changes(self.grid.meter))
        bars = min(self.bars, bars_within(changed, self.curve.seconds))
        return changes_are_sure(self.audio, self.curve, changed, bars)

    def on_grid(self) -> tuple[float, float]:
        """Share of attack strength near half beats, and what chance would give."""
        steps = np.arange(len(self.curve.strength)) / self.curve.rate
        lines = self.half_beats()
        if len(lines) < 2 or self.curve.strength.sum() <= 0:
            return 0.0, 0.0
        inside = (steps >= lines[0]) & (steps <= lines[-1])
        near = inside & (np.abs(late_s(steps, lines)) <= ON_GRID_S)
        share = self.curve.strength[near].sum() / max(self.curve.strength[inside].sum(), 1e-12)
        return float(share), float(near.sum() / max(inside.sum(), 1))

    def half_beats(self) -> Floats:
        if self.bars < 1:
            return np.zeros(0)
        beats = beat_lines(self.grid, self.bars)[0]
        half_beats: Floats = np.sort(np.concatenate([beats[:-1], (beats[1:] + beats[:-1]) / 2]))
        return half_beats

    def pulse_of_meter(self) -> float:
        """What a beat of the grid's meter is in quarters of its tempo (a dotted quarter in 6/8)."""
        meter = self.grid.meter
        return 2 / 3 if meter.unit == 8 and meter.beats % 3 == 0 else meter.unit / 4

    def related_tempo(self) -> float | None:
        """A tempo in a simple ratio to the grid's on whose beats attacks agree clearly better."""
        agreed = phase_agreement(self.curve)
        beat_hz = self.tempo * self.grid.meter.unit / 240
        own = agreed.at(beat_hz * np.array([1.0, 2.0]))
        others = {
            ratio: agreed.at(beat_hz * ratio * np.array([1.0, 2.0]))
            for ratio in RATIOS
            if beat_hz * 60 * ratio < _FASTEST
        }
        # a swing's attacks agree on halves of a tempo by 3/2, but not on its beats, as they do on its own
        better = {
            ratio: float(agreement.max())
            for ratio, agreement in others.items()
            if agreement.max() > CLEARLY_BETTER * own.max() and not own[0] > max(2 * agreement[0], 0.1)
        }
        if not better:
            return None
        # of several counts of the song's tempo, one near to what was counted
        near = max(better, key=lambda ratio: np.log2(better[ratio]) - 1.5 * abs(np.log2(ratio)))
        return nearly_round(agreed.refine(self.tempo * near), self.curve.seconds)

    def other_tempo(self) -> float | None:
        """A constant tempo that the song does keep: near the grid's, else the likeliest pulse."""
        agreed = phase_agreement(self.curve)
        pulse = self.pulse_of_meter()
        pulses = find_pulses(self.curve)
        likely = pulses[0].tempo if pulses else 0.0
        near = agreed.nearby(self.tempo * pulse, 0.04)
        parts = np.array([1.0, 2.0]) / 60
        as_good = agreed.at(near * parts).max() > 0.6 * agreed.at(likely * parts).max()
        if as_good and self.keeps(near / pulse):
            return nearly_round(near / pulse, self.curve.seconds)
        if not pulses or pulses[0].agreement < STEADY / 2:
            return None
        best = likely * 0.5 if pulse < 1 and likely > FASTEST_DOTTED else likely / pulse
        # half or double only where it is much nearer to what was counted
        away = {
            best * count: abs(np.log2(best * count / self.tempo)) + (count != 1) / 3 for count in (0.5, 1, 2)
        }
        tempo = min(away, key=away.__getitem__)
        return nearly_round(tempo, self.curve.seconds) if self.keeps(tempo) else None

    def keeps(self, tempo: float) -> bool:
        """Whether the song keeps a tempo from the top to the end."""
        grid = replace(self.grid, tempo=exact(round(tempo, 6)))
        bars = bars_within(grid, self.curve.seconds)
        if bars < FEWEST_BARS:
            return False
        phases = beat_phases(self.curve, grid, bars)
        part = phases.clearest
        clear = phases.local_agreement(part) > HAS_BEAT * chance_agreement(self.curve, grid, bars, part)
        if not clear or phases.coherence(part) < COHERENT:
            return False
        rest = line_and_rest(grid, phases.offsets_s(part))[2]
        return strays_s(rest, phases.clarity(part), 0.9) < DRIFT_S

    def counted(self) -> float | None:
        """Half or double the grid's tempo, where that is clearly the likelier beat."""
        if self.grid.meter.unit != 4 or not self.one_tempo:
            return None
        pulses = find_pulses(self.curve)
        if not pulses or pulses[0].agreement < STEADY:
            return None
        own = next((p for p in pulses if abs(p.tempo / self.tempo - 1) < 0.004), None)
        best = pulses[0]
        ratio = best.tempo / self.tempo
        if min(abs(ratio - 2), abs(ratio - 0.5)) > 0.01:
            return None
        clear = own is None or best.score - own.score > 0.4
        return nearly_round(best.tempo, self.curve.seconds) if clear else None


def line_and_rest(grid: Grid, offsets_s: Floats) -> tuple[float, float, Floats]:
    """Slope, offset at bar 1 (s) and what is left of offsets by bar, (bars,), smoothed."""
    bars_s = np.array([float(grid.line_s(bar)) for bar in range(1, len(offsets_s) + 1)])
    slope, at_start = robust_line(bars_s - bars_s[0], offsets_s)
    return slope, at_start, smooth(offsets_s - at_start - slope * (bars_s - bars_s[0]))


def bars_within(grid: Grid, seconds: float) -> int:
    """How many whole bars of the grid the audio holds (of a live take: as far as its beats go)."""
    bars = 0
    last = grid.beats_s[-1] if grid.beats_s else None
    while float(grid.line_s(bars + 2)) <= seconds and bars < 5000:
        if last is not None and grid.line_s(bars + 2) > last:
            break
        bars += 1
    return bars


def first_wrong_bar(offsets: Floats) -> int | None:
    """The first bar from which on the lines are more than 35 ms off for good."""
    wrong = np.abs(offsets) > WRONG_S
    if not wrong.any():
        return None
    fine = np.flatnonzero(~wrong)
    lasting = int(fine[-1]) + 1 if len(fine) else 0
    # a performance may come back to the grid by chance: then the first stray bar counts
    return int(np.flatnonzero(wrong)[0]) + 1 if lasting >= len(wrong) else lasting + 1
