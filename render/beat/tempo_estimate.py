"""A song's tempo, and where its bar 1 begins, from its attacks alone.

The onset curve's Fourier transform over the whole song tells a steady tempo to a few thousandths of a
beat a minute: all attacks must agree on the phase. Which multiple of it a musician counts is a matter
of taste; we weigh what drums do (low sounds on one beat, high ones on the next), how strongly beats
stand out from the half-beats between, and how usual the tempo is.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

import numpy as np

from render.analysis.bar_features import describe
from render.analysis.onsets import Onsets, attack_times, onsets
from render.arrays import Audio, Floats
from render.beat.half_beat import half_beat
from render.beat.silence import silent_until_s
from render.song.grid import Meter

SLOWEST, FASTEST = 50.0, 215.0  # beats a minute that we look for
USUAL_TEMPO, USUAL_OCTAVES = 112.0, 0.75  # centre and width of what songs use: our own rule of thumb
COMMON_TIME = Meter(4, 4)
_START_WITHIN_S = 60.0
EARLIEST_S = 0.02  # before the file's beginning: a bounce trimmed to its first attack begins with bar 1
_MOVE_COST = 6.0
STEADY = 0.3  # phase agreement of a steady song; see `Pulse.agreement`
_RATIOS = tuple(
    Fraction(*r) for r in ((1, 4), (1, 3), (1, 2), (2, 3), (1, 1), (3, 2), (2, 1), (3, 1), (4, 1))
)


@dataclass(frozen=True)
class Pulse:
    """A steady pulse: `tempo` beats a minute, a beat at `phase_s` (below one beat).

    `agreement` (0..1): length of the mean of all attacks as unit vectors of their phase in the pulse, the
    best of beat, half, third and quarter of it. 1 = all attacks on the grid; random attacks give about
    1/sqrt(number of attacks).
    """

    tempo: float
    phase_s: float
    agreement: float
    score: float


@dataclass(frozen=True)
class TempoEstimate:
    """`tempo` in quarter notes a minute; `start_s` where bar 1 begins.

    `alternatives` are other tempos it might be counted in, likeliest first; `steady` is False where no
    constant tempo fits (a live or free performance, or no attacks at all).
    """

    tempo: float
    start_s: float
    steady: bool
    alternatives: tuple[float, ...]

    def lines(self) -> list[str]:
        """What to tell a person."""
        if not self.steady:
            return [
                f"no constant tempo fits this audio (the best guess is {self.tempo:.2f}): it seems to be "
                "played freely, or to have no clear attacks; give the tempo it was recorded to with --tempo, "
                "or the bars will be cut wrongly"
            ]
        others = ", ".join(f"{tempo:.2f}" for tempo in self.alternatives[:2])
        return [f"tempo {self.tempo:.2f} quarter notes a minute" + (f" (or {others})" if others else "")]


def estimate(
    audio: Audio, sample_rate: int, meter: Meter = COMMON_TIME, curve: Onsets | None = None
) -> TempoEstimate:
    """Tempo and start of a song, `audio` (frames, channels), in a given meter."""
    curve = curve or onsets(audio, sample_rate)
    pulses = find_pulses(curve)
    if not pulses:
        return TempoEstimate(120.0, 0.0, False, ())
    best, *others = pulses
    quarters = 1.5 if meter.unit == 8 and meter.beats % 3 == 0 else 1.0  # a pulse of 6/8 is a dotted quarter
    tempo = nearly_round(best.tempo * quarters, curve.seconds)
    return TempoEstimate(
        tempo=tempo,
        start_s=find_start(audio, sample_rate, curve, tempo, best.phase_s, meter),
        steady=best.agreement >= STEADY,
        alternatives=tuple(round(p.tempo * quarters, 2) for p in others if _counted_so(p, best)),
    )


def _counted_so(other: Pulse, best: Pulse) -> bool:
    """Whether somebody might count the other pulse: half or double the best, or about as likely."""
    return abs(abs(np.log2(other.tempo / best.tempo)) - 1) < 0.01 or other.score > best.score - 0.5


def estimate_start(
    audio: Audio, sample_rate: int, tempo: float, meter: Meter = COMMON_TIME, curve: Onsets | None = None
) -> float:
    """Where bar 1 begins, in seconds, for a tempo that is known.

    The whole song is weighed; only its first minute where it does not keep the tempo.
    """
    curve = curve or onsets(audio, sample_rate)
    if curve.strength.sum() <= 0 or curve.seconds < 4:
        return 0.0
    if not phase_agreement(curve).keeps(tempo):
        stop_s = first_sound_s(curve) + _START_WITHIN_S
        steps = slice(0, round(stop_s * curve.rate))
        curve = Onsets(curve.rate, curve.strength[steps], curve.registers[steps])
        audio = audio[: round(stop_s * sample_rate)]
    return find_start(audio, sample_rate, curve, tempo, best_phase(curve, 60 / tempo), meter)


def nearly_round(tempo: float, seconds: float) -> float:
    """The tempo in hundredths, or the whole or half number that cannot be told from it over the song.

    Sessions are set to round tempos: one that leaves the measured tempo by less than 10 ms in all is meant.
    """
    for digits in (0.5, 0.1, 0.01):
        near = round(tempo / digits) * digits
        if abs(near / tempo - 1) * seconds < 0.01:
            return round(near, 3)
    return round(tempo, 3)


@lru_cache(maxsize=2)
def find_pulses(curve: Onsets) -> tuple[Pulse, ...]:
    """Pulses that the attacks agree on, the likeliest beat first; empty for silence."""
    if curve.strength.sum() <= 0 or curve.seconds < 4:
        return ()
    agreed = phase_agreement(curve)
    strongest = agreed.strongest_hz()
    candidates = {round(float(60 * strongest * ratio), 4) for ratio in _RATIOS}
    pulses = [_pulse(curve, agreed, tempo) for tempo in candidates if SLOWEST <= tempo <= FASTEST]
    most = max(p.agreement for p in pulses)
    return tuple(sorted(pulses, key=lambda p: -p.score + (p.agreement < 0.2 * most)))


class PhaseAgreement:
    """|mean phase vector| of the attacks at any frequency (0..1): the onset curve's Fourier transform."""

    def __init__(self, curve: Onsets) -> None:
        size = 1 << int(np.ceil(np.log2(24 * max(len(curve.strength), 4096))))
        self.seconds = curve.seconds
        self.hz = curve.rate / size
        self.spectrum: Floats = np.abs(np.fft.rfft(curve.strength, size)) / max(
            float(curve.strength.sum()), 1e-12
        )

    def at(self, frequencies_hz: Floats) -> Floats:
        magnitude: Floats = np.interp(frequencies_hz / self.hz, np.arange(len(self.spectrum)), self.spectrum)
        return magnitude

    def keeps(self, tempo: float) -> bool:
        """Whether attacks agree on this very tempo nearly as well as on the best one close to it."""
        parts = np.array([1.0, 2.0, 4.0])
        here, best = (float((self.at(t / 60 * parts) ** 2).sum()) for t in (tempo, self.nearby(tempo, 0.02)))
        return here > 0.5 * best

    def nearby(self, tempo: float, reach: float) -> float:
        """The tempo within `reach` (relative) of `tempo` with most agreement over beat, half and quarter."""
        step = 0.15 / self.seconds
        tempos = np.arange(tempo * (1 - reach), tempo * (1 + reach), step)
        power = np.asarray(sum(self.at(tempos / 60 * part) ** 2 for part in (1, 2, 4)))
        return self.refine(float(tempos[int(np.argmax(power))]))

    def strongest_hz(self) -> float:
        """The pulse frequency on which, with its multiples, attacks agree most."""
        step = 0.1 / self.seconds
        frequencies = np.arange(SLOWEST / 60, FASTEST / 60, step)
        total = sum(self.at(frequencies * h) ** 2 / h**0.5 for h in (1, 2, 4))
        usual = np.exp(-0.5 * (np.log2(frequencies * 60 / USUAL_TEMPO) / (2 * USUAL_OCTAVES)) ** 2)
        return float(frequencies[int(np.argmax(total * usual))])

    def refine(self, tempo: float) -> float:
        """The tempo within 0.4 % of `tempo` with most agreement over beat, half, third and quarter."""
        step = 1.5 / self.seconds / 10  # a tenth of the resolution at the quarter beat, in beats a minute
        reach = 0.004 * tempo
        tempos = tempo + np.arange(-reach, reach + step, step)
        power = np.asarray(sum(self.at(tempos / 60 * harmonic) ** 2 for harmonic in (1, 2, 3, 4)))
        at = int(np.argmax(power))
        if not 0 < at < len(tempos) - 1:
            return float(tempos[at])
        low, mid, high = power[at - 1 : at + 2]
        bend = low - 2 * mid + high
        return float(tempos[at] + (0.5 * (low - high) / bend * step if bend < 0 else 0.0))


@lru_cache(maxsize=2)
def phase_agreement(curve: Onsets) -> PhaseAgreement:
    """That of a curve, computed once for all who ask of the same one."""
    return PhaseAgreement(curve)


def _pulse(curve: Onsets, agreed: PhaseAgreement, tempo: float) -> Pulse:
    tempo = agreed.refine(tempo)
    by_harmonic = agreed.at(tempo / 60 * np.array([1.0, 2.0, 3.0, 4.0]))
    phase_s = best_phase(curve, 60 / tempo)
    # a beat is more than a count of its halves or thirds: attacks must agree on the beat itself
    distinct = 0.4 * float(np.log2(np.clip(by_harmonic[0] / 0.1, 0.2, 1.0)))
    return Pulse(tempo, phase_s, float(by_harmonic.max()), distinct + _beat_likeness(curve, tempo, phase_s))


def best_phase(curve: Onsets, beat_s: float) -> float:
    """Where in a beat (seconds) the strongest attacks lie: low sounds count double, as kicks mark beats."""
    blurred = curve.smooth(0.008)
    beats = np.arange(int((curve.seconds - beat_s) / beat_s)) * beat_s
    phases = np.arange(0, beat_s, 1 / curve.rate)
    low = curve.registers[:, 0] / max(float(curve.registers[:, 0].mean()), 1e-12)
    weighted = Onsets(curve.rate, blurred.strength + low, curve.registers).smooth(0.005)
    return float(phases[int(np.argmax(weighted.at(beats + phases[:, None]).sum(axis=1)))])


def _beat_likeness(curve: Onsets, tempo: float, phase_s: float) -> float:
    """How likely a musician counts this pulse as the beat (a score; differences of 0.3 are clear)."""
    beat_s = 60 / tempo
    count = int((curve.seconds - phase_s) / beat_s)
    steps = np.round((phase_s + np.arange(2 * count) * beat_s / 2) * curve.rate).astype(int)
    reach = np.arange(-4, 5)
    around = np.clip(steps[:, None] + reach, 0, len(curve.strength) - 1)
    scale = curve.registers.mean(axis=0) + 1e-12
    hits = curve.registers[around].max(axis=1) / scale  # (half beats, low/middle/high)
    hits[:, 2] *= 0.5
    on, off = hits[::2], hits[1::2]
    stands_out = (on.sum() - off.sum()) / max(on.sum() + off.sum(), 1e-12)
    even, odd = on[::2].mean(axis=0), on[1::2].mean(axis=0)
    contrast = (even - odd) / np.maximum(even + odd, 1e-12)
    backbeat = max(-contrast[0] * max(contrast[1:], key=abs), 0.0) ** 0.5
    limping = max(abs(even.sum() - odd.sum()) / max(even.sum() + odd.sum(), 1e-12), _every_third(on) - 0.4)
    usual = -0.5 * (np.log2(tempo / USUAL_TEMPO) / USUAL_OCTAVES) ** 2
    return float(0.7 * min(stands_out, 0.6) + 1.5 * backbeat - 1.5 * max(limping - 0.1, 0.0) + 0.6 * usual)


def _every_third(on: Floats) -> float:
    """How much every third beat differs from the others in all registers together, 0..1."""
    thirds = [float(on[i::3].sum()) / max(len(on[i::3]), 1) for i in range(3)]
    return (max(thirds) - min(thirds)) / max(max(thirds) + min(thirds), 1e-12)


def find_start(
    audio: Audio, sample_rate: int, curve: Onsets, tempo: float, phase_s: float, meter: Meter
) -> float:
    """Where bar 1 begins, in seconds, to the millisecond where attacks allow."""
    beat_s = 60 / tempo * 4 / meter.unit
    first_beat = phase_s % beat_s
    count = int((curve.seconds - first_beat) / beat_s)
    steps: Floats = np.arange(count, dtype=np.float64) * beat_s
    begins = first_sound_s(curve)  # silence in front must not change what is found
    times: Floats = first_beat + steps
    heard = times[(times > begins - 0.06) & (times < curve.seconds - 2)]
    if half_beat(audio, sample_rate, curve, heard).evidence < 0:
        first_beat = (first_beat + beat_s / 2) % beat_s
    attacks = attack_times(audio, sample_rate, first_beat + steps)
    if len(attacks) >= 8:
        off = (attacks - first_beat + beat_s / 2) % beat_s - beat_s / 2
        first_beat += float(np.median(off))
    before = max(int((begins - first_beat) / beat_s), 0)
    beats: Floats = first_beat + np.arange(before, max(count, before), dtype=np.float64) * beat_s
    place, sure = downbeat(audio, sample_rate, curve, beats, meter.beats)
    offset = (before + place) % meter.beats
    if not sure:  # then a song rather begins with its first bar
        offset = round((begins - first_beat) / beat_s) % meter.beats
    bar_s = beat_s * meter.beats
    line = first_beat + offset * beat_s
    audible_s = silent_until_s(audio, sample_rate)
    if audible_s < begins - bar_s:  # it begins softly, and those bars are the song's, too
        begins = audible_s
    # the bar line at or after the first sound; or the one before it, where the song begins late in its bar 1
    bar = np.ceil((begins - 0.06 - line) / bar_s)
    if begins - (line + (bar - 1) * bar_s) < bar_s / 2 and line + (bar - 1) * bar_s >= 0:
        bar -= 1
    start_s = float(line + bar * bar_s)
    while start_s < -EARLIEST_S:
        start_s += bar_s
    return round(max(start_s, 0.0), 3)


def other_half_s(curve: Onsets, start_s: float, beat_s: float) -> float:
    """Where bar 1 begins if the beat is half a beat beside: earlier where the song sounds there already."""
    earlier = start_s - beat_s / 2
    return earlier if earlier >= max(first_sound_s(curve) - 0.06, 0.0) else start_s + beat_s / 2


def downbeat(
    audio: Audio, sample_rate: int, curve: Onsets, beats_s: Floats, per_bar: int
) -> tuple[int, bool]:
    """Which of the first `per_bar` beats begins a bar, and whether that is clear.

    Harmony changes on the first beat of a bar more than elsewhere, and low sounds are stronger there.
    """
    if per_bar < 2 or len(beats_s) < 4 * per_bar:
        return 0, False
    scores = beat_scores(audio, sample_rate, curve, beats_s)
    evidence = np.array([scores[place::per_bar].mean() for place in range(per_bar)])
    ranked = np.sort(evidence)
    by_chance = 3 / np.sqrt(len(beats_s) / per_bar)  # of means of so many z-scores
    return int(np.argmax(evidence)), bool(ranked[-1] - ranked[-2] > max(0.25, by_chance))


def beat_scores(audio: Audio, sample_rate: int, curve: Onsets, beats_s: Floats) -> Floats:
    """How much each beat is like the first of a bar: harmony changes, low sounds, rising level."""
    sound = describe(audio, sample_rate, np.append(beats_s, 2 * beats_s[-1] - beats_s[-2]))
    change = np.zeros(len(beats_s))
    # two beats on each side: a passing note is not a change of chord
    pairs = sound.chroma[:-1] + sound.chroma[1:]
    pairs /= np.maximum(np.linalg.norm(pairs, axis=1, keepdims=True), 1e-9)
    change[2:-1] = 1 - (pairs[2:] * pairs[:-2]).sum(axis=1)
    low = Onsets(curve.rate, curve.registers[:, 0], curve.registers).smooth(0.015).at(beats_s)
    level = np.diff(sound.level_db, prepend=sound.level_db[:1])
    scores = np.zeros(len(beats_s))
    for weight, row in ((1.0, change), (0.4, low), (0.2, np.maximum(level, 0))):
        spread = float(row.std())
        scores += weight * (row - row.mean()) / spread if spread > 1e-9 else 0.0
    return scores


def downbeat_path(scores: Floats, per_bar: int) -> tuple[list[int], float]:
    """Which beat of each of the grid's bars is its first (0 = the grid's own), and what moving gains.

    The best path, where moving to another beat costs as much as three bars of clear evidence.
    """
    bars = len(scores) // per_bar
    table = scores[: bars * per_bar].reshape(bars, per_bar)
    total, came = table[0].copy(), []
    for row in table[1:]:
        stay, jump = total, float(total.max()) - _MOVE_COST
        came.append(np.where(stay >= jump, np.arange(per_bar), int(np.argmax(total))))
        total = np.maximum(stay, jump) + row
    path = [int(np.argmax(total))]
    for moves in reversed(came):
        path.append(int(moves[path[-1]]))
    return path[::-1], float(total.max() - table.sum(axis=0).max())


def last_sound_s(curve: Onsets) -> float:
    """The last clear attack, seconds; what is softer is the ring of the end."""
    loud = np.flatnonzero(curve.strength > 0.05 * np.percentile(curve.strength, 99.5))
    return float(loud[-1]) / curve.rate if len(loud) else 0.0


def first_sound_s(curve: Onsets) -> float:
    """The first clear attack, seconds."""
    loud = np.flatnonzero(curve.strength > 0.2 * np.percentile(curve.strength, 99))
    return float(loud[0]) / curve.rate if len(loud) else 0.0
