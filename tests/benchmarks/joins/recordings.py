"""Joins of real recordings (tests/benchmarks/real_songs.py), and their untouched lines where sections change.

A recording has no performed twin: a join that is told from a change of section as written may be told by its
music, which no splice could hide, as well as by its sound.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path

import soundfile

from render.audio.splice import Splicer
from render.audio.stems import Mixes, read_audio
from render.audio.timeline import lay_out
from render.song.song import Song, load_song
from tests.benchmarks.joins.corpus import order
from tests.benchmarks.joins.features import REACH_S
from tests.benchmarks.joins.measured import Measured
from tests.benchmarks.real_songs import RealSong

FORMS = 2  # other orders of each song
UNTOUCHED, WITHIN = "untouched changes of section", "untouched lines within sections"


def measure_recordings(songs: Iterable[RealSong], joinings: Mapping[str, int]) -> Measured:
    """Features of the joins of each song's forms by way of joining, and of its untouched lines."""
    measured = Measured()
    for told in songs:
        with tempfile.TemporaryDirectory() as folder:
            _measure(told.name, _study(told, Path(folder)), joinings, measured)
    return measured


def _measure(name: str, song: Song, joinings: Mapping[str, int], measured: Measured) -> None:
    audio, rate = read_audio(song.audio.path), song.audio.sample_rate
    reach = round(REACH_S * rate)
    firsts = {section.first_bar for section in song.sections[1:]}
    within = {bar + 2 for bar in firsts if not {bar + 1, bar + 2, bar + 3} & firsts}
    for kind, bars in ((UNTOUCHED, firsts), (WITHIN, within)):
        for at in map(song.grid.line_frame, sorted(bars)):
            if reach <= at <= len(audio) - reach:
                measured.of(kind).add(name, audio[at - reach : at + reach], rate)
    for way, joining in joinings.items():
        joined = replace(song, joining=joining)
        for form in song.forms[1:]:
            timeline = lay_out(joined, form)
            splicer = Splicer(timeline, Mixes(song, audio, None), song.lead_in_frames)
            for join in timeline.joins:
                start, stop = join.line - reach, join.line + reach
                if join.after is not None and start >= -splicer.lead and stop <= timeline.stop:
                    measured.of(way).add(name, splicer.read(start, stop), rate)


def _study(told: RealSong, folder: Path) -> Song:
    audio, rate = told.read()
    soundfile.write(folder / "song.wav", audio, rate, subtype="FLOAT")
    bars = told.section_bars
    last = int((len(audio) / rate - told.starts_s[0]) * told.tempo / 60 / 4)
    sections = {
        f"S{number}": f"{first}-{after - 1}"
        for number, (first, after) in enumerate(zip(bars, [*bars[1:], last + 1], strict=True), start=1)
    }
    names = [*sections]
    orders = [order(told.name, number, len(names)) for number in range(FORMS)]
    lines = [
        "[song]", f"title = {json.dumps(told.name)}", 'audio = "song.wav"', f"tempo = {told.tempo}",
        f'meter = "{told.told["meter"]}"', f"start = {told.starts_s[0]}", "[sections]",
        *(f'{name} = {{ bars = "{text}" }}' for name, text in sections.items()), "[forms]",
        *(
            f'"form {number}" = {{ parts = {json.dumps([names[at] for at in one])}, ending = "cut" }}'
            for number, one in enumerate(orders)
        ),
    ]  # fmt: skip
    (folder / "song.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return load_song(folder)
