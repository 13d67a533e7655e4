"""Tempo, time signatures and markers of a Standard MIDI File (SMF 1.0), with exact times.

Ticks become seconds as SMF 1.0 has it: a set-tempo event (FF 51 03) gives microseconds per quarter note,
120 quarters a minute and 4/4 hold until the first one; with SMPTE divisions ticks are seconds, whatever
the tempo. Events of all tracks count, in the order of their ticks.
"""

from __future__ import annotations

import bisect
import io
import itertools
import math
import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from pathlib import Path

import mido

from render.errors import SongError
from render.song.grid import Meter

MICROSECOND = Fraction(1, 1_000_000)
DEFAULT_US_PER_QUARTER = 500_000
LARGEST_FILE_BYTES = 8_000_000
MOST_BARS = 100_000
LARGEST_UNIT = 64
SMPTE_RATES = {24: Fraction(24), 25: Fraction(25), 29: Fraction(30_000, 1001), 30: Fraction(30)}
# SMF 1.0 allows four bytes to a delta time; a long run of bytes with the upper bit set is no music, and would
# keep a reader that adds them up busy for hours
_ENDLESS_NUMBER = re.compile(rb"[\x80-\xff]{2000}")
_SHORTEST_BAR = Fraction(1, 8)  # quarters: a time signature so near to a bar line is meant to be on it


@dataclass(frozen=True)
class TempoPoint:
    """A tempo from a place on: quarters and seconds after tick 0."""

    quarters: Fraction
    time_s: Fraction
    us_per_quarter: int


@dataclass(frozen=True)
class MapBar:
    """A bar (1-based): where it begins, and its beats, the last of which may be short in one that is cut."""

    number: int
    quarters: Fraction
    meter: Meter


@dataclass(frozen=True)
class Marker:
    """A marker (FF 06): quarters after tick 0, and its text."""

    quarters: Fraction
    text: str


@dataclass(frozen=True)
class TempoMap:
    """A song's tempos (the first at 0), time signatures (quarters, meter; the first at 0) and markers.

    `end_quarters`: where the last track ends. `says_tempo`: whether the file holds any tempo at all.
    """

    tempos: tuple[TempoPoint, ...]
    meters: tuple[tuple[Fraction, Meter], ...]
    markers: tuple[Marker, ...]
    end_quarters: Fraction
    says_tempo: bool = True

    @cached_property
    def _starts(self) -> tuple[list[Fraction], list[Fraction]]:
        return [p.quarters for p in self.tempos], [p.time_s for p in self.tempos]

    def time_s(self, quarters: Fraction) -> Fraction:
        """Seconds after tick 0, exactly."""
        point = self.tempos[max(bisect.bisect_right(self._starts[0], quarters) - 1, 0)]
        return point.time_s + (quarters - point.quarters) * point.us_per_quarter * MICROSECOND

    def quarters(self, time_s: Fraction) -> Fraction:
        """Quarters after tick 0, exactly."""
        point = self.tempos[max(bisect.bisect_right(self._starts[1], time_s) - 1, 0)]
        return point.quarters + (time_s - point.time_s) / (point.us_per_quarter * MICROSECOND)

    def bars(self, until: Fraction) -> Iterator[MapBar]:
        """All bars that begin before `until` (quarters); a time signature in mid-bar begins a new bar.

        Raises:
            SongError: more bars than a song has.
        """
        number = 1
        ends = [*(quarters for quarters, _ in self.meters[1:]), None]
        for (begins, meter), end in zip(self.meters, ends, strict=True):
            length = Fraction(4 * meter.beats, meter.unit)
            stop = until if end is None else min(until, end)
            at, count = begins, math.ceil((stop - begins) / length)
            for left in range(count, 0, -1):
                if number > MOST_BARS:
                    raise SongError(f"the map has more than {MOST_BARS} bars; that is no song's tempo map")
                cut = left == 1 and end is not None and end - at < length
                yield MapBar(number, at, _shortened(meter, end - at) if cut and end is not None else meter)
                at, number = at + length, number + 1


def _shortened(meter: Meter, quarters: Fraction) -> Meter:
    """The meter of a bar that the next time signature cuts short: beats in as large a unit as they allow."""
    unit = meter.unit
    while unit < LARGEST_UNIT and (quarters * unit / 4).denominator > 1:
        unit *= 2
    exact = quarters * unit / 4
    if exact.denominator == 1:
        return Meter(int(exact), unit)
    return Meter(max(-(-quarters * meter.unit // 4), 1), meter.unit)  # the last beat is a short one


def read_tempo_map(path: Path) -> TempoMap:
    """Read a Standard MIDI File of format 0 or 1.

    Raises:
        SongError: there is none, it is none, or it holds what no song can have.
    """
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST_FILE_BYTES + 1)
    except FileNotFoundError:
        raise SongError(
            f"there is no map {path}; name the Standard MIDI File of the song's project"
        ) from None
    except OSError as error:
        raise SongError(f"{path} cannot be read: {error.strerror}") from None
    return tempo_map(data, path.name)


def tempo_map(data: bytes, name: str) -> TempoMap:
    """The bytes of a Standard MIDI File; `name` is what messages call it."""
    again = "export tempo, time signatures and markers from the song's project again"
    if not data:
        raise SongError(f"{name} is empty (0 bytes); {again}")
    if data[:4] != b"MThd":
        raise SongError(f'{name} is no Standard MIDI File (it does not begin with "MThd"); {again}')
    if len(data) > LARGEST_FILE_BYTES:
        raise SongError(
            f"{name} has more than {LARGEST_FILE_BYTES // 1_000_000} MB; export tempo, time signatures and "
            "markers without the notes"
        )
    try:
        if _ENDLESS_NUMBER.search(data):
            raise ValueError("a number without an end")
        file = mido.MidiFile(file=io.BytesIO(_known_chunks(data)), clip=True)
    except Exception as error:  # damaged bytes make mido raise nearly any class
        raise SongError(f"{name} is damaged ({_words(error)}); {again}") from None
    if file.type == 2:
        raise SongError(
            f"{name} has format 2 (songs that do not belong together); export it as format 0 or 1"
        )
    return _mapped(file, name)


def _words(error: Exception) -> str:
    """mido's complaint, or what an error without words most likely means."""
    text = " ".join(str(error).split())
    return text[:80] if text and not isinstance(error, IndexError | KeyError) else "it ends too soon"


def _known_chunks(data: bytes) -> bytes:
    """Without chunks of other kinds, which SMF 1.0 wants ignored, and with the tracks counted as they are."""
    length = int.from_bytes(data[4:8])
    chunks, at, tracks = [], 8 + length, 0
    while at + 8 <= len(data):
        size = int.from_bytes(data[at + 4 : at + 8])
        if data[at : at + 4] == b"MTrk":
            chunks.append(data[at : at + 8 + size])
            tracks += 1
        at += 8 + size
    if length < 6 or len(data) < 14 or not chunks:
        raise ValueError("it has no track")
    kind, _, division = struct.unpack(">HHh", data[8:14])
    head = struct.pack(">4sIHHh", b"MThd", 6, kind, min(tracks, 0x7FFF), division)
    return head + b"".join(chunks)


def _mapped(file: mido.MidiFile, name: str) -> TempoMap:
    tracks = []
    for number, track in enumerate(file.tracks):
        ticks = itertools.accumulate(message.time for message in track)
        tracks += [(tick, number, message) for tick, message in zip(ticks, track, strict=True)]
    events = sorted(tracks, key=lambda event: event[:2])
    tempos = [(tick, message.tempo) for tick, _, message in events if message.type == "set_tempo"]
    for tick, us in tempos:
        if us == 0:
            raise SongError(f"{name}: the tempo at tick {tick} is 0 microseconds a quarter, no tempo at all")
    clock = _clock(file.ticks_per_beat, tempos, name)
    meters = [
        (clock.quarters_of(tick), _meter(message, name))
        for tick, _, message in events if message.type == "time_signature"
    ]  # fmt: skip
    markers = [
        Marker(clock.quarters_of(tick), text)
        for tick, _, message in events
        if message.type == "marker" and (text := _text(message.text))
    ]
    end = clock.quarters_of(events[-1][0]) if events else Fraction(0)
    return TempoMap(clock.points, tuple(_on_lines(meters)), tuple(markers), end, bool(tempos))


@dataclass(frozen=True)
class _Clock:
    """Ticks as quarters after tick 0: they are parts of a quarter or, with SMPTE divisions, of a second."""

    points: tuple[TempoPoint, ...]
    ticks_per_quarter: int | None
    tick_s: Fraction

    def quarters_of(self, tick: int) -> Fraction:
        if self.ticks_per_quarter is not None:
            return Fraction(tick, self.ticks_per_quarter)
        time_s = tick * self.tick_s
        point = self.points[max(bisect.bisect_right(self.points, time_s, key=lambda p: p.time_s) - 1, 0)]
        into = (time_s - point.time_s) / (point.us_per_quarter * MICROSECOND)
        return point.quarters + Fraction(round(into * 10**9), 10**9)  # to a billionth, or fractions grow


def _clock(division: int, tempos: list[tuple[int, int]], name: str) -> _Clock:
    """The tempos in force, tick by tick, from the header's division (SMF 1.0: upper bit set is SMPTE)."""
    ticks_per_quarter, tick_s = None, Fraction(0)
    if division > 0:
        ticks_per_quarter = division
    else:
        rate, in_frame = SMPTE_RATES.get(-(division >> 8)), division & 0xFF
        if rate is None or in_frame == 0:
            raise SongError(f"{name} has a division that is none ({division & 0xFFFF:#06x}); export it again")
        tick_s = 1 / (rate * in_frame)
    clock = _Clock((TempoPoint(Fraction(0), Fraction(0), DEFAULT_US_PER_QUARTER),), ticks_per_quarter, tick_s)
    points = list(clock.points)
    for tick, us in tempos:
        last = points[-1]
        quarters = _Clock((last,), ticks_per_quarter, tick_s).quarters_of(tick)
        time_s = last.time_s + (quarters - last.quarters) * last.us_per_quarter * MICROSECOND
        if ticks_per_quarter is None:
            time_s = tick * tick_s
        if quarters <= last.quarters:
            points.pop()
        if not points or points[-1].us_per_quarter != us:
            points.append(TempoPoint(max(quarters, last.quarters), time_s, us))
    return _Clock(tuple(points), ticks_per_quarter, tick_s)


def _meter(message: mido.MetaMessage, name: str) -> Meter:
    beats, unit = int(message.numerator), int(message.denominator)
    if not 1 <= beats <= 255 or unit > LARGEST_UNIT:
        shown = f"{beats}/{unit}" if unit < 10**6 else f"{beats} of an absurd unit"
        raise SongError(
            f"{name}: {shown} is no time signature; beats are 1 to 255, units 1 to {LARGEST_UNIT}"
        )
    return Meter(beats, unit)


def _on_lines(meters: list[tuple[Fraction, Meter]]) -> Iterator[tuple[Fraction, Meter]]:
    """Time signatures in force, 4/4 before the first; the last one of a place counts, and one that lies a
    hair beside a bar line is put onto it."""
    begins, now = Fraction(0), Meter(4, 4)
    for at, meter in meters:
        length = Fraction(4 * now.beats, now.unit)
        near = begins + round((at - begins) / length) * length
        at = near if abs(at - near) < _SHORTEST_BAR / 2 else at
        if at > begins and meter != now:
            yield begins, now
            begins = at
        elif meter == now:
            continue
        now = meter
    yield begins, now


def _text(text: str) -> str:
    """A marker's text: SMF knows no encoding; most programs write UTF-8, old ones Latin-1."""
    raw = text.encode("latin-1", "replace")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("cp1252", "replace")
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())
