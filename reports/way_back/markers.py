"""The form's tempo map as a Standard MIDI File that other programs read.

MIDI: SMF format 1 (RP-001: set tempo FF 51 03, time signature FF 58 04, marker FF 06), one track with
the tempo map, the meter changes and a marker at every part, silences too. Tempo is a whole number of
microseconds per quarter note, as the standard has it: the rounding is at most half a microsecond a
quarter (97 BPM becomes 96.999953; 0.12 ms in 100 bars of 4/4).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import mido

from render.audio.timeline import lay_out, longest_lead
from render.files import replacing
from render.song.forms import Form
from render.song.grid import Grid
from render.song.song import Song
from render.song.song_map import LEAD_IN
from reports.way_back.arrangement import Slot, task

TICKS_PER_QUARTER = 960
LONGEST_TEMPO_US = 0xFFFFFF  # three bytes


@dataclass(frozen=True)
class MidiBar:
    """A bar of the map: its meter, its tempo, its length in MIDI ticks."""

    beats: int
    unit: int
    us_per_quarter: int
    ticks: int


def write_midi(
    song: Song, form: Form, path: Path, lead_s: Fraction | None = None,
    places: Sequence[tuple[int, str]] = (),
) -> None:  # fmt: skip
    """Write the form's tempo map with a marker per part, and one for each of `places`, as an SMF.

    `places`: bars of the form (1-based) and a text, such as what to perform again there.

    What comes before the form's bar 1 (`lead_s` seconds; by default what the study's renders hold there)
    is the file's first bar: its own tempo gives it the lead-in's length, and its marker says "lead-in".
    So the map, laid at the start of the rendered audio, has the form's bar 1 as its bar 2. Without a
    lead-in, bar 1 of the file is bar 1 of the form. A silence of odd length ends with a short bar.

    Raises:
        FormError: as `render.audio.timeline.lay_out` does.
    """
    todo = task(song, form)
    slots, parts = todo.goal.slots, todo.parts
    if lead_s is None:
        lead_s = Fraction(lead_of_renders_frames(song, form), song.grid.sample_rate)
    bars = [
        *_lead_in(song.grid, lead_s),
        *(_map_bar(song.grid, slot) for slot in slots),
    ]
    before = len(bars) - len(slots)
    names: dict[int, list[str]] = {0: [LEAD_IN]} if before else {}
    for at, now in zip(parts, form.parts, strict=True):
        names.setdefault(before + at, []).append(_latin(now.text))
    for bar, text in places:
        names.setdefault(before + bar - 1, []).append(_latin(text))
    track = mido.MidiTrack([mido.MetaMessage("track_name", name=_latin(f"{song.title}: {form.name}"))])
    track += _events(bars, names)
    file = mido.MidiFile(type=1, ticks_per_beat=TICKS_PER_QUARTER)
    file.tracks.append(track)
    with replacing(path) as half, half.open("wb") as out:
        file.save(file=out)


def lead_of_renders_frames(song: Song, form: Form) -> int:
    """Frames before bar 1 in every render of the study (and in one of `form`)."""
    forms = [form, *(other for other in song.forms if other != form)]
    return longest_lead(song, [lay_out(song, one) for one in forms])


def _lead_in(grid: Grid, lead_s: Fraction) -> Iterator[MidiBar]:
    """One bar of quarters as long as the lead-in, at the tempo near the song's at which they are whole."""
    if lead_s > 0:
        quarters = min(max(round(lead_s * grid.tempo / 60), 1), 255)
        us = round(lead_s * 1_000_000 / quarters)
        yield MidiBar(quarters, 4, max(us, 1), quarters * TICKS_PER_QUARTER)


def _map_bar(grid: Grid, slot: Slot) -> MidiBar:
    """A bar as MIDI can say it: beats that are no whole number are told in a smaller unit, or as one beat."""
    stretch = grid.stretch(slot.bar)
    beats, unit = slot.beats, stretch.meter.unit
    while beats.denominator > 1 and unit < 64:
        beats, unit = beats * 2, unit * 2
    us_per_quarter = Fraction(60_000_000) / stretch.tempo
    if beats.denominator > 1 or beats > 255:  # one quarter at a tempo that makes it as long
        us_per_quarter *= slot.beats * Fraction(4, stretch.meter.unit)
        beats, unit = Fraction(1), 4
    ticks = beats * Fraction(4, unit) * TICKS_PER_QUARTER
    return MidiBar(int(beats), unit, min(max(round(us_per_quarter), 1), LONGEST_TEMPO_US), int(ticks))


def _events(bars: Sequence[MidiBar], names: dict[int, list[str]]) -> Iterator[mido.MetaMessage]:
    """Meter, tempo and markers, with the ticks since the event before; then the end of the track."""
    waited, last = 0, None
    for number, bar in enumerate(bars):
        events = []
        if last is None or (bar.beats, bar.unit) != (last.beats, last.unit):
            events.append(mido.MetaMessage("time_signature", numerator=bar.beats, denominator=bar.unit))
        if last is None or bar.us_per_quarter != last.us_per_quarter:
            events.append(mido.MetaMessage("set_tempo", tempo=bar.us_per_quarter))
        events += [mido.MetaMessage("marker", text=name) for name in names.get(number, [])]
        for event in events:
            event.time, waited = waited, 0
            yield event
        waited += bar.ticks
        last = bar
    yield mido.MetaMessage("end_of_track", time=waited)


def _latin(text: str) -> str:
    """SMF texts have no agreed encoding: UTF-8 bytes, which mido writes one by one as Latin-1."""
    return text.encode("utf-8").decode("latin-1")
