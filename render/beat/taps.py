"""Tempo and beat from somebody's taps, both refined by the song's own attacks.

A line through the taps gives the tempo: a constant delay of hand, keys and sound device moves all taps alike
and cancels out. Where in time the beat lies, the attacks say, as that delay is not known.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from render.analysis.onsets import Onsets
from render.arrays import Floats
from render.beat.tempo_estimate import PhaseAgreement, phase_agreement

FEWEST_TAPS = 4
ENOUGH_TAPS = 16
_OUTLIER = 4.5  # in robust standard deviations from the line: a tap that slipped
_REACH = 3.0  # standard errors of the taps' tempo within which the song's own is looked for
_LEAST_REACH = 0.004
# People tap up to 50 ms early (negative mean asynchrony: Repp, Psychonomic Bulletin & Review 2005, from
# memory); keys, screen and sound device are up to 150 ms late (common practice, no source).
EARLIEST_S, LATEST_S = -0.05, 0.15
_USUAL_DELAY_S, _DELAY_SPREAD_S = 0.06, 0.06
RIVAL = 0.6  # share of the attacks' strength that half a beat beside makes it a question


@dataclass(frozen=True)
class TappedBeat:
    """What taps say, with the attacks where there are any.

    `tempo`: taps a minute; `beat_at_s`: a time on which a beat falls. `tapped_tempo`: by the taps alone,
    `tapped_error` its relative standard error; `spread_ms` the taps' scatter about their line. `other_at_s`
    and `question`, where the beat may as well lie half a beat beside: ask.
    """

    tempo: float
    beat_at_s: float
    tapped_tempo: float
    tapped_error: float
    spread_ms: float
    taps_used: int
    refined: bool = False
    other_at_s: float | None = None
    question: str | None = None

    @property
    def beat_s(self) -> float:
        return 60 / self.tempo

    @property
    def line(self) -> str:
        """What to tell a person."""
        by = "by your taps and the song's attacks" if self.refined else "by your taps alone"
        more = "" if self.taps_used >= ENOUGH_TAPS else f"; {ENOUGH_TAPS} taps or more make it surer"
        return f"tempo {self.tempo:.2f} {by} (they scatter by {self.spread_ms:.0f} ms){more}"


def tempo_from_taps(taps_s: Floats, curve: Onsets | None = None) -> TappedBeat:
    """Tempo and beat from the times of taps (seconds of the song, any order), with its onset curve if known.

    Taps may be left out or slip. With `curve`, tempo and beat are those of the song's attacks nearest to the
    taps' (a constant tempo over the whole song is assumed; one that sways is met where it was tapped).

    Raises:
        ValueError: fewer than four taps, or taps that follow no beat at all.
    """
    taps = np.unique(np.asarray(taps_s, np.float64))
    if len(taps) < FEWEST_TAPS:
        raise ValueError(f"{len(taps)} taps: tap at least {FEWEST_TAPS} beats, better {ENOUGH_TAPS}")
    numbers, beat_s, first_s, spread_s = _line(taps)
    centred = numbers - numbers.mean()
    error = max(spread_s, 0.002) / float(np.sqrt((centred**2).sum())) / beat_s
    middle_s = first_s + round(float(numbers.mean())) * beat_s
    plain = TappedBeat(
        tempo=60 / beat_s, beat_at_s=middle_s, tapped_tempo=60 / beat_s, tapped_error=error,
        spread_ms=1000 * spread_s, taps_used=len(numbers),
    )  # fmt: skip
    if curve is None or curve.strength.sum() <= 0:
        return plain
    return _refined(plain, curve, taps)


def _line(taps: Floats) -> tuple[Floats, float, float, float]:
    """Beat numbers of the taps that fit, beat (s), time of beat 0, scatter (s): least squares, no slips."""
    usual_s = float(np.median(np.diff(taps)))
    beats = usual_s * np.arange(0.85, 1.15, 0.002)
    turns = np.exp(2j * np.pi * (taps - taps[0]) / beats[:, None]).mean(axis=1)
    best = int(np.argmax(np.abs(turns)))
    phase_s = float(np.angle(turns[best]) / (2 * np.pi) * beats[best])
    numbers = np.round((taps - taps[0] - phase_s) / beats[best])
    kept = np.diff(numbers, prepend=numbers[0] - 1) > 0  # two taps on one beat: the second slipped
    for _again in range(6):
        slope, at_0 = np.polyfit(numbers[kept], taps[kept], 1)
        rest = taps - at_0 - slope * numbers
        scale = max(1.4826 * float(np.median(np.abs(rest[kept]))), 0.004)
        inside = (np.abs(rest) < _OUTLIER * scale) & kept
        if inside.sum() < FEWEST_TAPS or (inside == kept).all():
            break
        kept = inside
    freedom = max(int(kept.sum()) - 2, 1)
    spread_s = float(np.sqrt((rest[kept] ** 2).sum() / freedom))
    if slope <= 0.1 or spread_s > 0.2 * slope:
        raise ValueError("these taps follow no steady beat; tap on every beat, sixteen times or more")
    return numbers[kept], float(slope), float(at_0), spread_s


def _refined(plain: TappedBeat, curve: Onsets, taps: Floats) -> TappedBeat:
    reach = max(_REACH * plain.tapped_error, _LEAST_REACH)
    tempo = _song_tempo(phase_agreement(curve), plain.tapped_tempo, reach)
    beat_s = 60 / tempo
    phases = np.arange(0, beat_s, 0.001)
    strength = _fold(curve, beat_s, phases)
    # where the taps are on average, in the song's own beat, at the middle of the taps
    late = np.angle(np.exp(2j * np.pi * (taps - plain.beat_at_s) / beat_s).mean()) / (2 * np.pi) * beat_s
    tapped_at = plain.beat_at_s + late
    delay = (tapped_at - phases + beat_s / 2) % beat_s - beat_s / 2
    rare = ((delay - _USUAL_DELAY_S) / _DELAY_SPREAD_S) ** 2 / 2
    inside = (delay >= min(EARLIEST_S, 0)) & (delay <= min(LATEST_S, beat_s / 2))
    score = np.where(inside, np.log(strength + 0.02 * strength.max() + 1e-12) - 0.25 * rare, -np.inf)
    best = int(np.argmax(score))
    exact = _peak(phases, strength, best, beat_s)
    half = (np.arange(len(phases)) * 0.001 + phases[best] + beat_s / 2) % beat_s
    near = np.interp(half[: len(phases)], phases, strength, period=beat_s)
    aside = float(max(near[:20].max(), near[-20:].max()))
    own = float(strength[best])
    beat_at_s = exact + np.round((tapped_at - exact) / beat_s) * beat_s
    other = float(beat_at_s + beat_s / 2) if aside > RIVAL * own else None
    question = None if other is None else (
        "is the beat where you tapped, or half a beat beside? The attacks there are "
        f"{'stronger' if aside > own else 'about as strong'}: listen to both with the click"
    )  # fmt: skip
    return replace(
        plain, tempo=tempo, beat_at_s=float(beat_at_s), refined=True, other_at_s=other, question=question
    )


def _song_tempo(agreed: PhaseAgreement, tempo: float, reach: float) -> float:
    """The tempo within `reach` (relative) of the taps' on which attacks agree most."""
    step = 1.5 / agreed.seconds
    tempos = np.arange(tempo * (1 - reach), tempo * (1 + reach) + step / 10, step / 10)
    power = np.asarray(sum(agreed.at(tempos / 60 * part) ** 2 for part in (1, 2, 3, 4)))
    return agreed.refine(float(tempos[int(np.argmax(power))]))


def _fold(curve: Onsets, beat_s: float, phases: Floats) -> Floats:
    """Attack strength at each phase of the beat, all beats together; low sounds count double."""
    low = curve.registers[:, 0] / max(float(curve.registers[:, 0].mean()), 1e-12)
    both = Onsets(curve.rate, curve.strength + low, curve.registers).smooth(0.006)
    beats = np.arange(int((curve.seconds - beat_s) / beat_s)) * beat_s
    return np.array([float(both.at(beats + phase).sum()) for phase in phases])


def _peak(phases: Floats, strength: Floats, near: int, beat_s: float) -> float:
    """The centre of the peak at `near`, within 12 ms of it."""
    steps = np.arange(-12, 13) + near
    weight = strength[steps % len(strength)]
    weight = np.maximum(weight - 0.5 * weight.max(), 0)
    return float(phases[near] + (weight * (np.arange(-12, 13) * 0.001)).sum() / max(weight.sum(), 1e-12))
