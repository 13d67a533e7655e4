"""An interpreter of rebuild sheets that shares no code with what writes them.

It knows bars and beats of the song and what each kind of edit means. What must come out is taken from the
renderer's own timeline (render/audio/timeline.py), frame by frame around every join.
"""

from __future__ import annotations

import bisect
import itertools
import random
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from render.audio.timeline import Timeline, lay_out
from render.song.audio_header import AudioInfo
from render.song.forms import Ending, Form, Section, parse_part
from render.song.grid import Change, Grid, Meter
from render.song.song import Song, as_written
from reports.way_back.rebuild import Sheet
from reports.way_back.rebuild_words import Edit

RATE = 48000


def make_song(
    sections: list[tuple[str, int, int, str]],
    last_bar: int | None = None,
    tempo: str = "96",
    meter: tuple[int, int] = (4, 4),
    start: str = "0.5",
    changes: tuple[Change, ...] = (),
    stems: tuple[str, ...] = ("bass", "drums", "voice"),
    tail_s: float = 1.0,
) -> Song:
    made = tuple(Section(name, first, last, Fraction(pickup)) for name, first, last, pickup in sections)
    last = last_bar or made[-1].last_bar
    grid = Grid(RATE, Fraction(start), Fraction(tempo), Meter(*meter), changes)
    audio = AudioInfo(Path("song.wav"), RATE, 2, grid.line_frame(last + 1) + round(tail_s * RATE))
    paths = {stem: Path(f"{stem}.wav") for stem in stems}
    return Song(
        title="An invented song", listeners=(), rounds=6, days=3, rests=False, folder=Path(),
        audio=audio, grid=grid,
        sections=made, last_bar=last, stems=paths, forms=(as_written(made, last),),
        matching="integrated", crossfade_ms=10.0,
    )  # fmt: skip


def make_form(song: Song, parts: list[str], ending: Ending | None = None) -> Form:
    read = [part for text in parts for part in parse_part(text, song.sections, list(song.stems))]
    return Form("new", tuple(read), ending)


@dataclass(frozen=True)
class Sound:
    """`length_s` of the song from `source_s` on (None: silence), without `muted`."""

    source_s: Fraction | None
    length_s: Fraction
    muted: frozenset[str] = frozenset()


@dataclass
class Session:
    """What a producer has open: bars on a ruler, sound from `room_s` before bar 1 to the last bar line."""

    grid: Grid  # of the song, for the tempo of a bar of silence
    beat_s_before_bar_1: Fraction
    room_s: Fraction
    bars: list[tuple[Fraction, Fraction]]  # (beats, seconds a beat)
    sounds: list[Sound]

    def __post_init__(self) -> None:
        self.place()

    def place(self) -> None:
        """Where each bar and each sound begins, and where the last one ends: forms have up to 500 of them."""
        lengths = (beats * beat_s for beats, beat_s in self.bars)
        self.lines_s = list(itertools.accumulate(lengths, initial=self.room_s))
        self.begins_s = _begins(self.sounds)

    def place_s(self, bar: int, beat: Fraction) -> Fraction:
        if bar == 1 and beat < 1:
            return self.room_s - (1 - beat) * self.beat_s_before_bar_1
        beat_s = self.bars[bar - 1][1] if bar <= len(self.bars) else Fraction(0)
        assert beat == 1 or 1 < beat < 1 + self.bars[bar - 1][0], "a beat that the bar does not have"
        return self.lines_s[bar - 1] + (beat - 1) * beat_s

    def bars_from(self, start_s: Fraction, stop_s: Fraction) -> tuple[int, int]:
        """The bars that begin in [start, stop), as indices."""
        first = bisect.bisect_left(self.lines_s, start_s)
        assert first < len(self.lines_s)
        return first, min(bisect.bisect_left(self.lines_s, stop_s), len(self.bars))

    def cut(self, start_s: Fraction, stop_s: Fraction) -> list[Sound]:
        out = []
        first = max(bisect.bisect_right(self.begins_s, start_s) - 1, 0)
        for number in range(first, bisect.bisect_left(self.begins_s, stop_s)):
            if number == len(self.sounds):
                break
            sound, at, end = self.sounds[number], self.begins_s[number], self.begins_s[number + 1]
            lo, hi = max(start_s, at), min(stop_s, end)
            if (lo, hi) == (at, end):
                out.append(sound)
            elif lo < hi:
                source = None if sound.source_s is None else sound.source_s + lo - at
                out.append(Sound(source, hi - lo, sound.muted))
        return out

    def swap(self, start_s: Fraction, stop_s: Fraction, new: list[Sound]) -> None:
        assert start_s >= 0, "the audio has no room there"
        self.sounds = [*self.cut(Fraction(0), start_s), *new, *self.cut(stop_s, self.begins_s[-1])]
        self.begins_s = _begins(self.sounds)

    def run(self, edit: Edit) -> None:
        start, stop, to = (
            self.place_s(at.bar, at.beat) if at else None for at in (edit.start, edit.stop, edit.to)
        )
        if edit.kind == "copy":
            assert start is not None and stop is not None and to is not None
            first, last = self.bars_from(start, stop)
            before, _ = self.bars_from(to, to)
            self.swap(to, to, self.cut(start, stop))
            self.bars[before:before] = self.bars[first:last]
        elif edit.kind == "move":
            assert start is not None and stop is not None and to is not None
            first, last = self.bars_from(start, stop)
            before, _ = self.bars_from(to, to)
            taken, bars = self.cut(start, stop), self.bars[first:last]
            assert to <= start or to >= stop
            self.swap(start, stop, [])
            del self.bars[first:last]
            there = to if to <= start else to - (stop - start)
            self.swap(there, there, taken)
            before = before if to <= start else before - len(bars)
            self.bars[before:before] = bars
        elif edit.kind == "remove":
            assert start is not None and stop is not None
            first, last = self.bars_from(start, stop)
            self.swap(start, stop, [])
            del self.bars[first:last]
        elif edit.kind == "silence":
            assert to is not None and edit.to is not None and edit.beats
            new = [(slot.beats, self.grid.stretch(slot.bar).beat_s) for slot in edit.slots]
            self.swap(to, to, [Sound(None, sum((beats * beat_s for beats, beat_s in new), Fraction(0)))])
            self.bars[edit.to.bar - 1 : edit.to.bar - 1] = new
        elif edit.kind == "copy over":
            assert start is not None and stop is not None and to is not None
            self.swap(to, to + stop - start, self.cut(start, stop))
        elif edit.kind == "mute":
            assert start is not None and stop is not None
            heard = self.cut(start, stop)
            self.swap(start, stop, [Sound(s.source_s, s.length_s, s.muted | set(edit.stems)) for s in heard])
        elif edit.kind == "clear":
            assert stop is not None
            self.swap(Fraction(0), stop, [Sound(None, stop)])
        else:
            assert edit.kind == "ending"
        self.place()
        assert self.begins_s[-1] == self.lines_s[-1], "sound and ruler have come apart"


def _begins(sounds: list[Sound]) -> list[Fraction]:
    return list(itertools.accumulate((sound.length_s for sound in sounds), initial=Fraction(0)))


def open_session(song: Song, room_s: Fraction) -> Session:
    """The song as written, with `room_s` before bar 1 (silence where the file holds less)."""
    bars = []
    for bar in range(1, song.last_bar + 1):
        stretch = song.grid.stretch(bar)
        bars.append((Fraction(stretch.meter.beats), stretch.beat_s))
    before = Fraction(60) / song.grid.tempo * Fraction(4, song.grid.meter.unit)
    whole = Sound(Fraction(0), song.grid.line_s(song.last_bar + 1))
    spare = room_s - song.grid.start_s
    sounds = [Sound(None, spare), whole] if spare > 0 else [whole]
    return Session(song.grid, before, room_s, bars, sounds)


def treatment(song: Song, timeline: Timeline, at: int) -> tuple[int | None, frozenset[str]]:
    """The source frame and the muted stems that the renderer plays at a frame (None: silence)."""
    for span in reversed(timeline.spans):
        if span.start + span.fade_in <= at < span.stop - span.fade_out:
            stems = frozenset(span.treatment.stems)
            muted = frozenset(song.stems) - stems if span.treatment.mode == "only" else stems
            return span.source + at - span.start, muted
    return None, frozenset()


def probes(timeline: Timeline, rng: random.Random) -> Iterator[int]:
    """Frames to compare: 20 ms either side of each join (fades are shorter), and anywhere else."""
    near = RATE // 50
    lines = {join.at for join in timeline.joins} | {join.line for join in timeline.joins} | {0}
    end = timeline.parts[-1].stop
    tried = {at + way for at in lines for way in (-near, near)}
    tried |= {rng.randrange(timeline.start, end) for _ in range(30)}
    for at in sorted(tried):
        clear = all(abs(at - join.at) >= near - 2 for join in timeline.joins)
        if timeline.start + near <= at < end - near and clear:
            yield at


def check(song: Song, form: Form, made: Sheet, seed: int = 0) -> None:
    """Run the sheet and compare what then sounds with the renderer's timeline."""
    timeline = lay_out(song, form)
    room_s = max(song.grid.start_s, Fraction(-timeline.start, RATE) + 1)
    session = open_session(song, room_s)
    for edit in made.edits:
        session.run(edit)
    assert len(session.bars) == made.landmarks[-1].last_bar
    assert abs((session.lines_s[-1] - room_s) * RATE - timeline.parts[-1].stop) < 10
    for at in probes(timeline, random.Random(seed)):
        time_s = room_s + Fraction(at, RATE)
        number = min(bisect.bisect_right(session.begins_s, time_s), len(session.sounds)) - 1
        heard = session.sounds[number]
        source, muted = treatment(song, timeline, at)
        if source is not None and source < 0:
            source = None
        assert (heard.source_s is None) == (source is None), f"frame {at}"
        if source is not None:
            assert heard.source_s is not None
            heard_s = heard.source_s + time_s - session.begins_s[number]
            assert abs(heard_s * RATE - source) < 10, f"frame {at}"  # each silence rounds a frame
            assert heard.muted == muted, f"frame {at}"
