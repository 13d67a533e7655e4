"""How well a song's attacks fall on its grid, and what would fit better.

Bar by bar, the grid is slid against the attacks; the best path of offsets through the song (a shortest
path, so that one odd bar does not matter) shows what is wrong: a constant offset is a wrong start, a
slope a wrong tempo, anything else a performance that does not keep one tempo.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from render.analysis.bar_one import BarOne, bar_one
from render.analysis.meter_changes import odd_bars
from render.analysis.onsets import Onsets, attack_times, onsets
from render.analysis.tempo_estimate import STEADY, Agreement, Pulse, best_phase, find_pulses, nearly_round
from render.analysis.tempo_path import offset_path, robust_line, smooth
from render.arrays import Audio, Floats
from render.song.grid import Grid, exact

# What a cut may be off before somebody hears it: a flam begins at 20 to 30 ms (common practice, no source).
SHIFT_S = 0.015
WRONG_S = 0.035
DRIFT_S = 0.04
ON_GRID_S = 0.025
AGREED = 0.1  # phase agreement on a beat: right tempos have 0.3 and more, unrelated ones 0.06 at most
_RELATED = (0.25, 0.5, 1.0, 2.0, 4.0)  # counts of one and the same tempo
FASTEST_DOTTED = 110.0  # dotted quarters a minute; a faster pulse of a compound meter is its eighths
NEAR_BEAT = 0.3  # of a beat: further off, it is open which beat was meant
CLEAR = 1.8  # how much stronger attacks must be along the best path than anywhere else


@dataclass(frozen=True)
class TempoFit:
    """How the attacks lie against the grid.

    `on_grid`: share of attack strength within 25 ms of the grid's half beats, and `by_chance`, what
    scattered attacks would have. `offset_ms`: how late the attacks are against the grid where it starts.
    `odd_bars`: bars of another length that the grid does not have, None where there are none.
    `better_*` are None where nothing fits clearly better: a tempo (quarters a minute), a start (seconds),
    a first beat of the bars (beats after the grid's). `beside_the_beat`: the grid lies between the beats, and
    which beat was meant is not clear. `sections_agreeing` of `sections_asked` section starts are clearer with
    the better start. `counted` is a half or double tempo that the song is likelier counted in.
    `wrong_from_bar`: the first bar whose lines are more than 35 ms off for good. `drifts`: no constant
    tempo (or, in a song with changes, no such tempos) fits. `offsets_ms` by bar, from bar 1.
    """

    tempo: float
    start_s: float
    beat_s: float
    has_beat: bool
    on_grid: float
    by_chance: float
    offset_ms: float
    better_tempo: float | None
    better_start_s: float | None
    counted: float | None
    better_downbeat_beats: int | None
    beats_in_bar: int
    beside_the_beat: bool
    sections_agreeing: int
    sections_asked: int
    odd_bars: str | None
    drifts: bool
    drift_ms: float
    wrong_from_bar: int | None
    offsets_ms: tuple[float, ...]

    @property
    def fits(self) -> bool:
        """Nothing to mend."""
        return self.has_beat and not self.drifts and self.lines_fit and self.odd_bars is None

    @property
    def lines_fit(self) -> bool:
        """Tempo and start seem right, as far as can be told, so that joins are cut where they are meant."""
        wrong = (self.better_tempo, self.better_start_s, self.better_downbeat_beats)
        return wrong == (None,) * 3 and not self.beside_the_beat

    def start_lines(self) -> list[str]:
        """What there is to say about where bar 1 begins."""
        given = f"start = {round(self.start_s, 6)}"
        if self.better_start_s is not None:
            moved_s = self.better_start_s - self.start_s
            way = "later" if moved_s > 0 else "earlier"
            if abs(moved_s) <= NEAR_BEAT * self.beat_s:
                return [
                    f"the attacks are {abs(self.offset_ms):.0f} ms {way} "
                    f"than the grid: start = {self.better_start_s:g} would fit better"
                ]
            who = "most sections" if self.sections_agreeing > self.sections_asked / 2 else "the bars"
            return [
                f"{who} seem to begin {_beats(moved_s / self.beat_s)} {way} than {given} says; "
                f"if bar 1 falls at {self.better_start_s:.3f} s, write start = {self.better_start_s:g}"
            ]
        if self.better_downbeat_beats is not None:
            later = self.better_downbeat_beats
            earlier = self.beats_in_bar - later
            return [
                f"the bars seem to begin {_beats(later)} later than {given} says, or "
                f"{_beats(earlier)} earlier: harmony and low notes change there; listen where bar 1 begins"
            ]
        if self.beside_the_beat:
            return [
                f"the song's beats lie {abs(self.offset_ms):.0f} ms beside the grid's, between them; which "
                "of them begins bar 1 is not clear: find it by ear, and write it as start"
            ]
        return []

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
                f"tempo {self.better_tempo:g} ({amount:+.3g}) would fit clearly better than {self.tempo:g}"
                f"{since}. Mend it first: bars and times change with it"
            )
        told += self.start_lines()
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


def _beats(beats: float) -> str:
    halves = round(2 * abs(beats))
    if halves <= 1:
        return "half a beat"
    return "1 beat" if halves == 2 else f"{halves / 2:g} beats"


def fit(
    audio: Audio, sample_rate: int, grid: Grid, section_bars: Sequence[int] = (), curve: Onsets | None = None
) -> TempoFit:
    """Compare the attacks of `audio`, (frames, channels), with a grid.

    `section_bars` are the first bars of the song's sections: they tell which bar is bar 1. `curve`: its onset
    curve, where it is known already.
    """
    return _Fit(audio, sample_rate, grid, section_bars, curve or onsets(audio, sample_rate)).result()


class _Fit:
    def __init__(
        self, audio: Audio, sample_rate: int, grid: Grid, section_bars: Sequence[int], curve: Onsets
    ) -> None:
        self.audio, self.rate, self.grid, self.section_bars = audio, sample_rate, grid, section_bars
        self.tempo = float(grid.tempo)
        self.beat_s = float(grid.stretch(1).beat_s)
        self.one_tempo = all(change.tempo is None for change in grid.changes)
        self.curve = curve
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
            "tempo": self.tempo, "start_s": float(self.grid.start_s), "beat_s": self.beat_s,
            "beats_in_bar": self.grid.meter.beats, "on_grid": on_grid, "by_chance": by_chance,
            "offset_ms": 0.0, "better_tempo": None, "better_start_s": None, "counted": None,
            "better_downbeat_beats": None, "beside_the_beat": False, "sections_agreeing": 0,
            "sections_asked": 0, "odd_bars": None, "drifts": False, "drift_ms": 0.0,
            "wrong_from_bar": None, "offsets_ms": (),
        }  # fmt: skip
        return TempoFit(**{**blank, "has_beat": has_beat, **what})

    def judged(self, offsets: Floats, pulses: list[Pulse], steady: bool) -> TempoFit:
        # which of the beats it is, is not told here
        offsets = offsets - round(float(np.median(offsets)) / self.beat_s) * self.beat_s
        slope, at_start, drift_s = self.line_and_rest(offsets)
        drifts = drift_s > DRIFT_S
        better_tempo = None
        if not drifts and self.one_tempo and abs(slope) * self.curve.seconds > 0.02:
            better_tempo = nearly_round(self.tempo / (1 + slope), self.curve.seconds)
        plain = better_tempo is None and not drifts
        shift_s = self.exact_shift(float(np.median(offsets))) if plain else at_start
        wrong = offsets - (shift_s if abs(shift_s) > SHIFT_S and not drifts else 0.0)
        return self.told(
            has_beat=True,
            offset_ms=1000 * shift_s,
            better_tempo=better_tempo,
            counted=None if drifts or not steady else self.counted(pulses),
            drifts=drifts,
            drift_ms=1000 * drift_s,
            wrong_from_bar=self.first_wrong_bar(smooth(wrong)) if drifts or better_tempo else None,
            offsets_ms=tuple(np.round(1000 * offsets, 1)),
            **(self.first_beats(shift_s) if plain else {}),
        )

    def first_beats(self, shift_s: float) -> dict[str, Any]:
        """Where bar 1 rather begins, and odd bars, where that is clear."""
        near = abs(shift_s) <= NEAR_BEAT * self.beat_s
        if not near and not self.beats_are_there(shift_s):
            return {}
        odd = odd_bars(self.audio, self.rate, self.curve, self.grid, self.bars)
        if odd.bars:
            found = BarOne(odd.first_offset, None)
        else:
            found = bar_one(
                self.audio, self.rate, self.curve, self.grid, self.bars, shift_s, self.section_bars
            )
        start_s = found.start_s
        if not found.place and near:
            start_s = float(self.grid.start_s) + shift_s if abs(shift_s) > SHIFT_S else None
        return {
            "better_start_s": round(max(start_s, 0.0), 3) if start_s is not None else None,
            "better_downbeat_beats": found.place or None,
            "beside_the_beat": start_s is None and not near,
            "sections_agreeing": found.agreeing,
            "sections_asked": found.sections,
            "odd_bars": odd.line(self.grid.meter) if odd.bars else None,
        }

    def beats_are_there(self, shift_s: float) -> bool:
        """Whether low sounds, too, say that the beats lie beside the grid's: chords alone may come early."""
        if not self.one_tempo:
            return False
        lines = self.bars_s()[0] + shift_s
        off = (best_phase(self.curve, self.beat_s) - lines) % self.beat_s
        return bool(min(off, self.beat_s - off) < self.beat_s / 8)

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
        """The likeliest tempo, where it is no other count of the grid's, and where the attacks
        do not agree on the grid's beat at all (a swing or a waltz may rightly be counted otherwise)."""
        meter, best = self.grid.meter, pulses[0].tempo
        beat = self.tempo * meter.unit / 4
        compound = meter.unit == 8 and meter.beats % 3 == 0  # its pulse is a dotted quarter
        own = [beat, beat / 3] if compound else [beat, self.tempo]
        if any(abs(best * ratio / tempo - 1) < 0.004 for tempo in own for ratio in _RELATED):
            return None
        agreed = Agreement(self.curve).at(np.array(own) / 60)
        if float(agreed.max()) >= AGREED:
            return None
        if compound:
            best *= 1.5 if best < FASTEST_DOTTED else 0.5  # in quarters
        # half or double only where it is much nearer to what was counted
        away = {
            best * count: abs(np.log2(best * count / self.tempo)) + (count != 1) / 3 for count in (0.5, 1, 2)
        }
        return nearly_round(min(away, key=away.__getitem__), self.curve.seconds)

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

    def first_wrong_bar(self, offsets: Floats) -> int | None:
        """The first bar from which on the lines are more than 35 ms off for good."""
        wrong = np.abs(offsets) > WRONG_S
        if not wrong.any():
            return None
        fine = np.flatnonzero(~wrong)
        lasting = int(fine[-1]) + 1 if len(fine) else 0
        # a performance may come back to the grid by chance: then the first stray bar counts
        return int(np.flatnonzero(wrong)[0]) + 1 if lasting >= len(wrong) else lasting + 1
