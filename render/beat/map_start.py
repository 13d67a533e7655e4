"""Alignment of a project's tempo map with the bounce: its beats correlated with the song's onset curve.

Beats tell the place within a beat (with changes of tempo, the place itself); harmony and low sounds, which
beat begins a bar; markers, which bar it is: the song changes where its sections begin. What is left open
is a bounce that begins where the map does, or on one of its bar lines.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from render.analysis.bar_features import describe
from render.analysis.novelty import bar_likeness, bar_novelty
from render.analysis.onsets import Onsets, attack_times, onsets
from render.arrays import Audio, Counts, Floats
from render.beat.lateness import late_s
from render.beat.tempo_estimate import beat_scores, first_sound_s
from render.song.grid import exact
from render.song.tempo_map import TempoMap

# Our own settings, chosen on invented songs laid at known places.
LONGEST_BEFORE_S = 120.0  # how much of the map may lie before the audio
LONGEST_COUNT_IN_S = 10.0  # without markers
GOOD = 0.8  # candidates have at least this share of the best one's agreement with the attacks
FIRST_BEAT_MARGIN = 0.3  # mean z-scores
CHANGE_MARGIN = 0.85  # of the novelty at the markers
MOST_ALIKE = 3  # bar phases looked at closely
SAME_S = 0.06
EXACT_S = 0.03  # nearer to the audio's first frame than this, a line is meant to be there
CLEAR = 1.35  # the best place's agreement over the usual one

FITS_BEST = "it fits best"


@dataclass(frozen=True)
class MapStart:
    """`tick_0_s`: seconds into the audio (negative: before it). `sure` False: ask. `others`: places that do
    about as well; `reason` why this one."""

    tick_0_s: Fraction
    sure: bool
    others: tuple[float, ...]
    reason: str


@dataclass(frozen=True)
class _Comb:
    """The map after tick 0, seconds: its beats, which of them begin bars, and the lines of its markers."""

    beats_s: Floats
    firsts: NDArray[np.bool_]
    markers_s: Floats


def find_tick_0(audio: Audio, sample_rate: int, tempo_map: TempoMap, curve: Onsets | None = None) -> MapStart:
    """Where tick 0 of the map falls in `audio`, (frames, channels)."""
    curve = curve or onsets(audio, sample_rate)
    if curve.strength.sum() <= 0 or curve.seconds < 4:
        return MapStart(Fraction(0), False, (), "nothing is heard that would tell")
    comb = _comb(tempo_map, curve.seconds)
    places, agreement = _candidates(curve, comb)
    strongest = float(agreement.max())
    steady = strongest > CLEAR * float(_weight(curve).mean())
    places = places[agreement >= GOOD * strongest]
    places = _with_clear_bars(audio, sample_rate, curve, comb, places)
    places, by_markers = _with_changes_at_markers(audio, sample_rate, comb, places)
    place, reason = _chosen(comb, places, by_markers)
    others = tuple(round(float(other), 3) for other in places if abs(other - place) > SAME_S)
    whole_bars_only = len(tempo_map.tempos) == len(tempo_map.meters) == 1 and not tempo_map.markers
    if whole_bars_only and reason == FITS_BEST:
        reason = "to whole bars: it has no markers"
    sure = steady and (not others or reason != FITS_BEST)
    return MapStart(_to_the_line(audio, sample_rate, comb, place), sure, others[:4], reason)


def _comb(tempo_map: TempoMap, seconds: float) -> _Comb:
    until_s = exact(round(seconds + LONGEST_BEFORE_S, 3))
    beats, firsts = [], []
    for bar in tempo_map.bars(tempo_map.quarters(until_s)):
        for beat in range(bar.meter.beats):
            beats.append(float(tempo_map.time_s(bar.quarters + Fraction(4 * beat, bar.meter.unit))))
            firsts.append(beat == 0)
    lines = np.array(beats)[np.array(firsts)]
    marked = np.array([float(tempo_map.time_s(m.quarters)) for m in tempo_map.markers])
    return _Comb(np.array(beats), np.array(firsts), np.unique(lines[_nearest(lines, marked)]))


def _candidates(curve: Onsets, comb: _Comb) -> tuple[Floats, Floats]:
    """Places of tick 0 at which the beats meet attacks more than around them, and how much they do."""
    from scipy import fft, signal  # slow to import: only where a map is laid

    weight = _weight(curve)
    first_marker_s = float(comb.markers_s[0]) if len(comb.markers_s) else 0.0
    reach_s = min(max(first_marker_s + 1, LONGEST_COUNT_IN_S), LONGEST_BEFORE_S)
    bar_s = float(comb.beats_s[np.flatnonzero(comb.firsts)[1]]) if comb.firsts.sum() > 1 else 2.0
    latest_s = min(first_sound_s(curve) + bar_s, curve.seconds / 2)
    steps = np.zeros(int((curve.seconds + reach_s) * curve.rate) + 2)
    at = np.round(comb.beats_s * curve.rate).astype(int)
    np.add.at(steps, at[at < len(steps)], 1.0)
    size = fft.next_fast_len(len(steps) + 2 * len(weight), real=True)
    slid = fft.irfft(fft.rfft(weight, size) * np.conj(fft.rfft(steps, size)), size)
    offsets = np.arange(-round(reach_s * curve.rate), round(latest_s * curve.rate) + 1)
    inside = np.searchsorted(at, len(weight) - offsets) - np.searchsorted(at, -offsets)
    mean = slid[offsets % size] / np.maximum(inside, 1)
    peaks, _ = signal.find_peaks(np.pad(mean, 1, constant_values=-1.0), distance=round(0.1 * curve.rate))
    peaks = peaks - 1
    return offsets[peaks] / curve.rate, mean[peaks]


def _weight(curve: Onsets) -> Floats:
    """Attacks, blurred; low sounds count double, as kicks mark beats."""
    low = curve.registers[:, 0] / max(float(curve.registers[:, 0].mean()), 1e-12)
    weighted: Floats = Onsets(curve.rate, curve.strength + low, curve.registers).smooth(0.012).strength
    return weighted


def _with_clear_bars(audio: Audio, sample_rate: int, curve: Onsets, comb: _Comb, places: Floats) -> Floats:
    """The candidates whose bars begin on beats that are like first ones."""
    if len(places) < 2:
        return places
    reference = _within(comb.beats_s + places[0], curve.seconds)
    scores = beat_scores(audio, sample_rate, curve, reference)
    evidence = []
    for place in places:
        values = _looked_up(reference, scores, _within(comb.beats_s[comb.firsts] + place, curve.seconds))
        evidence.append(float(values.mean()) if len(values) else 0.0)
    kept: Floats = places[np.array(evidence) >= max(evidence) - FIRST_BEAT_MARGIN]
    return kept


def _with_changes_at_markers(
    audio: Audio, sample_rate: int, comb: _Comb, places: Floats
) -> tuple[Floats, bool]:
    """The candidates at whose markers the song changes most; and whether the markers told."""
    seconds = len(audio) / sample_rate
    if len(comb.markers_s) < 3 or len(places) < 2:
        return places, False
    known: list[tuple[Floats, Floats]] = []
    evidence = []
    for place in places:
        lines = _within(comb.beats_s[comb.firsts] + place, seconds)
        marked = _within(comb.markers_s + place, seconds - 1)
        marked = marked[marked > lines[0] + SAME_S]  # the first line is new in any case
        values = next(
            (v for v in (_looked_up(*one, marked) for one in known) if len(v) > 0.75 * len(marked)), None
        )
        if values is None and len(known) < MOST_ALIKE and len(lines) > 8:
            novelty = bar_novelty(*bar_likeness(describe(audio, sample_rate, np.append(lines, seconds))))
            known.append((lines, novelty / max(float(novelty.std()), 1e-9)))
            values = _looked_up(*known[-1], marked)
        evidence.append(float(values.mean()) if values is not None and len(values) else 0.0)
    best = max(evidence)
    if best <= 0:
        return places, False
    kept = np.array(evidence) >= CHANGE_MARGIN * best
    return places[kept], True


def _chosen(comb: _Comb, places: Floats, by_markers: bool) -> tuple[float, str]:
    """One of the places that are left, by where people begin a bounce."""
    if len(places) == 1:
        reason = "the song changes at its markers" if by_markers else "the attacks agree"
        return float(places[0]), reason
    nearest = float(places[np.argmin(np.abs(places))])
    if abs(nearest) < SAME_S:
        return nearest, "the bounce begins where the map does"
    lines = comb.beats_s[comb.firsts]
    for place in sorted(places, key=abs):
        if float(np.abs(lines + place).min()) < SAME_S:
            return float(place), "the bounce begins on a bar line of the map"
    return nearest, FITS_BEST


def _to_the_line(audio: Audio, sample_rate: int, comb: _Comb, place: float) -> Fraction:
    """The place to the millisecond; exactly the audio's first frame where a bar line is meant to be there."""
    lines = comb.beats_s[comb.firsts]
    line = float(lines[np.argmin(np.abs(lines + place))])
    if abs(line + place) < EXACT_S:
        return exact(round(-line, 9))
    beats = _within(comb.beats_s + place, len(audio) / sample_rate)
    attacks = attack_times(audio, sample_rate, beats)
    if len(attacks) >= 8:
        place += float(np.median(late_s(attacks, beats)))
    return exact(round(place, 3))


def _within(times_s: Floats, seconds: float) -> Floats:
    within: Floats = times_s[(times_s >= 0) & (times_s < seconds)]
    return within


def _looked_up(times_s: Floats, values: Floats, at_s: Sequence[float] | Floats) -> Floats:
    """The values at the times nearest to `at_s`, where there are such."""
    wanted = np.asarray(at_s)
    if not len(wanted) or not len(times_s):
        return np.zeros(0)
    nearest = _nearest(times_s, wanted)
    values_there: Floats = values[nearest[np.abs(times_s[nearest] - wanted) < SAME_S]]
    return values_there


def _nearest(times_s: Floats, at_s: Floats) -> Counts:
    """Which of the rising times is nearest to each of `at_s`."""
    after = np.clip(np.searchsorted(times_s, at_s), 1, max(len(times_s) - 1, 1))
    before = after - 1
    after = np.minimum(after, len(times_s) - 1)
    closer: Counts = np.where(at_s - times_s[before] <= times_s[after] - at_s, before, after)
    return closer
