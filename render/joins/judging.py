"""Every join of a form judged before anyone listens: what would be heard there, and what to do about it.

A join is compared with the song itself: what the old part's source did after the cut, and what the new
part's source did before it, are exactly what the join takes away.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from typing import TypeAlias

import numpy as np

from render.arrays import Audio, Floats
from render.audio.splice import Splicer, padded
from render.audio.timeline import FROM_SILENCE_S, HANDOVERS_SINCE, LEAD_OF_FADE_S, Timeline
from render.figures import counted
from render.joins import measures, remedies
from render.joins.finding import JoinFinding, Remedy, SetEnding, SetPickup
from render.joins.measures import CONTEXT_S, SHORT_TERM_S, Held
from render.song.forms import Part, Piece, Treatment
from render.song.song import BY_STEM, Song

# Our own thresholds; common practice has no figures. Steps, shares: tests/benchmarks/RESULTS_join_flags.md.
TRANSIENT_REACH_S = 0.015
STEP_ALLOWED = 1.25  # a join's largest sample step, against the largest in its two sides
HELD_SHARE = 0.1
PICKUP_SHARE = 0.1
LONGEST_PICKUP_BEATS = 2
DONE = {1: "crossfade", 2: "crossfade, decay"}  # by version of joining; later ones ring over
CARRIED_IN_DB = 2.0
COVERED = 0.03  # a held sound this far (15 dB) below what follows is not missed


Remedies: TypeAlias = tuple[str, tuple[Remedy, ...]]  # in words, and what can be written at once


def examine(song: Song, timeline: Timeline, splicer: Splicer) -> list[JoinFinding]:
    """Judge every join of one form; reads only a few seconds around each.

    `splicer` must be the one of `timeline`; its `lead` places the findings in the rendered file.
    """
    return [_Examined(song, timeline, splicer, i).finding() for i in range(len(timeline.joins))]


@dataclass(frozen=True)
class _Trouble:
    weight: float
    reason: str
    remedy: str
    remedies: tuple[Remedy, ...] = ()


class _Examined:
    """One join with the excerpts around it. `old_cut` and `new_cut` are its place in the song, in frames."""

    def __init__(self, song: Song, timeline: Timeline, splicer: Splicer, index: int) -> None:
        self.song, self.timeline, self.splicer, self.index = song, timeline, splicer, index
        join = self.join = timeline.joins[index]
        self.rate = song.grid.sample_rate
        self.old, self.new = timeline.part(join.before), timeline.part(join.after)
        given_up = join.line - join.at
        line = song.grid.line_frame
        self.old_cut = line(self.old.last_bar + 1) - given_up if isinstance(self.old, Piece) else None
        self.new_cut = line(self.new.first_bar) - given_up if isinstance(self.new, Piece) else None
        self.reach = round(CONTEXT_S * self.rate)
        self.here = self.render(join.at - self.reach, join.at + self.reach)
        self.old_sound = self.source(self.old, self.old_cut, self.reach, self.reach)
        self.new_sound = self.source(self.new, self.new_cut, self.reach, self.reach)

    def render(self, start: int, stop: int) -> Audio:
        """Frames of the form, with zeros where it does not sound."""
        lo = min(max(start, -self.splicer.lead), self.timeline.stop)
        hi = min(max(stop, lo), self.timeline.stop)
        return padded(self.splicer.read(lo, hi), lo - start, stop - start)

    def source(self, part: Part | None, cut: int | None, before: int, after: int) -> Audio | None:
        """The song's own sound around `cut`, under the part's treatment; None for a silence."""
        if not isinstance(part, Piece) or cut is None:
            return None
        start, stop, end = cut - before, cut + after, self.splicer.source.frames
        lo, hi = min(max(start, 0), end), min(max(stop, 0), end)
        return padded(self.splicer.source.read(part.treatment, lo, hi), lo - start, stop - start)

    def finding(self) -> JoinFinding:
        step, allowed = self.sample_steps()
        level = self.level_step()
        cut = self.cut_transient()
        held = self.held_out()
        forgotten, stray = self.forgotten_pickup(), self.stray_pickup()
        troubles = sorted(self.troubles(step > allowed, cut, held, forgotten, stray), key=lambda t: -t.weight)
        bar = self.timeline.bar_after(self.join)
        rank = min(max(1 + self.carried_in_db / 30, 0.0), 1.0)  # of joins that are otherwise alike
        return JoinFinding(
            form=self.timeline.form.name,
            at_s=(self.splicer.lead + self.join.at) / self.rate,
            line_s=(self.splicer.lead + self.join.line) / self.rate,
            bar=bar,
            before=self.old.text if self.old else "the top",
            after=self.new.text if self.new else "the end",
            sample_step=step,
            level_step_lu=level,
            cut_transient=cut is not None,
            held_sound=held >= HELD_SHARE,
            held_share=held,
            pickup_forgotten=forgotten,
            stray_pickup=stray,
            doubtful=bool(troubles),
            reason="; ".join(t.reason for t in troubles) or self.clean_words(level),
            remedy=troubles[0].remedy if troubles else "",
            done=self.done(),
            severity=sum(trouble.weight for trouble in troubles) + rank,
            index=self.index,
            remedies=tuple(remedy for trouble in troubles for remedy in trouble.remedies),
        )

    def done(self) -> str:
        """What was done to the sound here, in a word or two."""
        if self.new is None:
            return str(self.timeline.ending)
        if not isinstance(self.new, Piece):
            return "fade out"
        if not isinstance(self.old, Piece):
            return "fade in"
        by_stem = self.timeline.joining in BY_STEM and self.song.stems
        return DONE.get(self.timeline.joining, "rings over, by stem" if by_stem else "rings over")

    def clean_words(self, level: float | None) -> str:
        return "clean" if level is None or abs(level) < 1 else f"clean, {_step_words(level)}"

    def troubles(
        self, steps: bool, cut: str | None, held: float, forgotten: str | None, stray: str | None,
    ) -> Iterator[_Trouble]:  # fmt: skip
        if steps:
            yield _Trouble(
                5, "a step in the waveform clicks", "raise crossfade_ms, or cut at another bar line"
            )
        if forgotten:
            has = isinstance(self.new, Piece) and self.new.pickup_beats
            what = "a pickup is perhaps too short" if has else "a pickup was probably forgotten"
            yield _Trouble(4, f"{what}: {forgotten}", *self.pickup_remedies())
        if cut:
            yield _Trouble(3, cut, "move the song's start by that much, or cut at another bar")
        if held >= HELD_SHARE:
            fades = self.handed_over
            yield _Trouble(
                1 if fades else 2 + held,  # as far from a performance as other joins are, where it fades
                f"a sound held over the line {'fades away there' if fades else 'breaks off'} "
                f"({held:.0%} of what sounds before it)",
                *self.held_remedies(),
            )
        if self.carried_in_db >= CARRIED_IN_DB:
            yield _Trouble(
                1.5,
                f"what comes before this in the song rings into it, {self.carried_in_db:.0f} dB louder",
                "begin it a bar earlier or later, or let it follow what it follows in the song",
            )
        if stray:
            yield _Trouble(3.5, stray, *self.stray_remedies())

    @cached_property
    def carried_in_db(self) -> float:
        """How much louder the sound ahead of the new part's line is, in the song, than what follows it."""
        if self.new_sound is None or self.old_sound is None or not self.new_sound.any():
            return -math.inf
        return measures.carried_in_db(self.new_sound, self.rate)

    # Steps

    def sample_steps(self) -> tuple[float, float]:
        """The largest sample step in the join, and the largest that its two sides give reason for."""
        ahead = round((Fraction(str(self.song.crossfade_ms)) / 1000 + LEAD_OF_FADE_S) * self.rate)
        margin = round(0.002 * self.rate)
        lo, hi = max(self.reach - ahead - margin, 0), self.reach + margin
        step = measures.sample_step(self.here[lo:hi])
        sides = [x for x in (self.old_sound, self.new_sound) if x is not None]
        return step, STEP_ALLOWED * max(measures.sample_step(x) for x in sides) + 1e-4

    def level_step(self) -> float | None:
        if self.old_sound is None or self.new_sound is None:
            return None
        before, after = self.level(-SHORT_TERM_S, 0), self.level(0, SHORT_TERM_S)
        return after - before if math.isfinite(before) and math.isfinite(after) else None

    def level(self, from_s: float, to_s: float) -> float:
        start = self.join.at + round(from_s * self.rate)
        stop = self.join.at + round(to_s * self.rate)
        start, stop = max(start, self.timeline.start), min(stop, self.timeline.stop)
        if stop - start < 0.4 * self.rate:
            return -math.inf
        return measures.short_term_lufs(self.splicer.read(start, stop), self.rate)

    # Attacks

    def cut_transient(self) -> str | None:
        """An attack within 15 ms ahead of the line that the join leaves by half, in words."""
        if self.ends_softly or self.handed_over:
            return None
        old, new = self.attacks(self.old_sound), self.attacks(self.new_sound)
        both = {slot for slot in old if any(abs(slot - other) <= 2 for other in new)}
        both |= {slot for slot in new if any(abs(slot - other) <= 2 for other in old)}
        for side, side_attacks in (("old", old), ("new", new)):
            for at_ms, energy in side_attacks.items():
                if at_ms in both or not -1000 * TRANSIENT_REACH_S <= at_ms <= -1:
                    continue  # where both sides have it, the crossfade keeps it whole
                times_ms: Floats = np.arange(len(energy), dtype=np.float64) + (at_ms + 0.5)
                kept = self.fade_power(times_ms, rising=side == "new")
                # of an old attack, its first 15 ms should sound, or nothing; of a new one, the attack itself
                length, unheard = (len(energy), 0.05) if side == "old" else (3, 0.0)
                left = float(np.dot(energy[:length], kept[:length]) / energy[:length].sum())
                if unheard <= left < 0.5:
                    return f"an attack of the {side} part {-at_ms} ms ahead of the line is cut in half"
        return None

    def attacks(self, sound: Audio | None) -> dict[int, Floats]:
        """Attacks of one side: milliseconds from the cut -> the energy of their first 15 ms."""
        if sound is None:
            return {}
        energy = measures.brightness(sound, self.rate)
        return {slot - len(energy) // 2: energy[slot : slot + 15] for slot in measures.attacks(energy)}

    def fade_power(self, times_ms: Floats, rising: bool) -> Floats:
        """What a side's power is multiplied with at times from the cut, while the other side is unlike it."""
        length_ms = self.song.crossfade_ms if self.old_sound is not None else 1000 * float(FROM_SILENCE_S)
        end_ms = 0.0 if self.new_sound is None else -1000 * float(LEAD_OF_FADE_S)
        up = 0.5 - 0.5 * np.cos(np.pi * np.clip((times_ms - end_ms) / length_ms + 1, 0, 1))
        power: Floats = (up if rising else 1 - up) ** 2 / (up**2 + (1 - up) ** 2)
        return power

    @property
    def handed_over(self) -> bool:
        """Whether attacks just ahead of the line are whole, or not heard, in any case."""
        pieces = isinstance(self.old, Piece) and isinstance(self.new, Piece)
        return pieces and self.timeline.joining >= HANDOVERS_SINCE

    # Held sounds and pickups

    @cached_property
    def old_held(self) -> Held | None:
        return None if self.old_sound is None else measures.held_across(self.old_sound, self.rate)

    @cached_property
    def new_held(self) -> Held | None:
        return None if self.new_sound is None else measures.held_across(self.new_sound, self.rate)

    def held_out(self) -> float:
        """The share of the old part's sound that is held over the cut in the song and gone in the form."""
        if self.old_held is None or self.ends_softly or not measures.audible(self.old_held.before):
            return 0.0
        if self.new_held is None:
            return self.old_held.share
        if self.old_held.weights.sum() < COVERED * self.new_held.after.sum():
            return 0.0
        return measures.missing_share(self.old_held, self.new_held.after)

    @cached_property
    def forgotten_beats(self) -> float | None:
        """Beats before the new section's first bar at which a sound begins that is held into it.

        More than the section's declared pickup, and in whole beats, as pickups mostly are.
        """
        new, held = self.new, self.new_held
        if not isinstance(new, Piece) or held is None or not measures.audible(held.before):
            return None
        section = next((s for s in self.song.sections if s.name == new.section), None)
        if section is None or section.first_bar != new.first_bar:
            return None
        # what the old part already sounds needs no pickup
        share = measures.missing_share(held, self.old_held.before) if self.old_held else held.share
        beat_s = float(self.song.grid.stretch(max(new.first_bar - 1, 1)).beat_s)
        led_in = share >= PICKUP_SHARE and self.reaches_bar(held)
        begins_s = self.begins_before(held, beat_s) if led_in else None
        if begins_s is None:
            return None
        return math.ceil(begins_s / beat_s - 0.2) + float(self.join.pickup_beats)

    def reaches_bar(self, held: Held) -> bool:
        """Whether what is held into a pickup lasts into the first bar; else it belongs to what was before."""
        if not self.join.pickup_beats or self.new_cut is None:
            return True
        bar = self.new_cut + self.join.line - self.join.at
        sound = self.source(self.new, bar, 0, round(0.11 * self.rate))
        assert sound is not None
        bins = held.weights > 0
        after = measures.spectra(sound, self.rate, 0.02)[:, bins].sum(axis=1).mean()
        return bool(after > 0.25 * held.weights.sum())

    def begins_before(self, held: Held, beat_s: float) -> float | None:
        """How many seconds before the cut the held sound begins, if within two beats."""
        back_s = LONGEST_PICKUP_BEATS * beat_s + 0.1
        sound = self.source(self.new, self.new_cut, round(back_s * self.rate), round(0.03 * self.rate))
        assert sound is not None
        hop_s = 0.02
        bins = held.weights > 0
        track = measures.spectra(sound, self.rate, hop_s)[:, bins].sum(axis=1)
        full = float(held.before[bins].sum())
        # the phrase begins where there was nothing; under other instruments, at least the held note does
        for quiet in (np.flatnonzero(track < share * full) for share in (0.1, 0.4)):
            begins_s = back_s - (float(quiet[-1]) * hop_s + measures.WINDOW_S) if len(quiet) else 0.0
            if begins_s >= 0.03:
                return begins_s
        return None

    @property
    def ends_softly(self) -> bool:
        return self.new is None and self.timeline.ending.kind != "cut"

    def stray_pickup(self) -> str | None:
        """A declared pickup that is heard at the end of the old part though its owner does not follow."""
        if not isinstance(self.old, Piece):
            return None
        owner = next((s for s in self.song.sections if s.first_bar == self.old.last_bar + 1), None)
        if owner is None or owner.pickup_beats <= self.join.pickup_beats:
            return None
        if isinstance(self.new, Piece) and self.new.first_bar == owner.first_bar:
            return None
        return f'the pickup of "{owner.name}" is heard before the line, but something else follows'

    def forgotten_pickup(self) -> str | None:
        if self.forgotten_beats is None or not isinstance(self.new, Piece):
            return None
        has = self.new.pickup_beats
        begins = f"begins about {counted(self.forgotten_beats, 'beat')} before its first bar"
        longer = f", longer than its pickup ({counted(has, 'beat')})" if has else ""
        return f'"{self.new.section}" has a sound that {begins}{longer}'

    def pickup_remedies(self) -> Remedies:
        assert isinstance(self.new, Piece) and self.forgotten_beats is not None
        name, beats, has = self.new.section, self.forgotten_beats, self.new.pickup_beats
        if no_room := remedies.no_room(self.song, name, beats):
            return f"pickup = {beats:g} would fit, but there is no room for it yet: {no_room}", ()
        words = f'give "{name}" pickup = {beats:g} in [sections]'
        if has:
            words = (
                f'if it belongs to "{name}", write pickup = {beats:g} instead of {float(has):g} in [sections]'
            )
        return words, (SetPickup(name, beats, f'give "{name}" a pickup of {counted(beats, "beat")}'),)

    def stray_remedies(self) -> Remedies:
        assert isinstance(self.old, Piece) and self.join.before is not None
        earlier = remedies.bar_earlier(self.song, self.timeline.form, self.join.before)
        return remedies.without_last_beats(self.song, self.old), (earlier,) if earlier else ()

    def held_remedies(self) -> Remedies:
        if self.new is None:
            ring = SetEnding(self.timeline.form.name, "ring 1 beat", "let it ring for a beat")
            return 'write ending = "ring 1 beat"', (ring,)
        words = "cut a bar earlier or later, or play the last bar without the stem that is held"
        if self.new_sound is None:
            words = "let the silence begin later, or take the held stem out of the old part's last bar"
        stem = self.held_stem()
        if stem is None or self.join.before is None:
            return words, ()
        without = remedies.last_bar_without(self.song, self.timeline.form, self.join.before, stem)
        return words, (without,) if without else ()

    def held_stem(self) -> str | None:
        """The stem that holds most over the cut, where there are stems and one has at least half of it."""
        if not isinstance(self.old, Piece):
            return None
        power = {}
        for stem in filter(self.old.treatment.plays, self.song.stems):
            alone = replace(self.old, treatment=Treatment("only", (stem,)))
            sound = self.source(alone, self.old_cut, self.reach, self.reach)
            assert sound is not None
            power[stem] = float(measures.held_across(sound, self.rate).weights.sum())
        most = max(power.values(), default=0.0)
        if most == 0 or most < 0.5 * sum(power.values()):
            return None
        return next(stem for stem, own in power.items() if own == most)


def _step_words(level: float) -> str:
    return f"the level {'rises' if level > 0 else 'falls'} by {abs(level):.1f} LU"
