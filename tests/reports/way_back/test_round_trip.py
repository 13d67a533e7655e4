"""What `decide` writes is read by `new --map`: the form's own grid and sections again."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import mido
import pytest

from render.analysis.onsets import onsets
from render.audio.stems import read_audio
from render.audio.timeline import lay_out
from render.proposals.marked import map_on_bounce
from render.renders.render_forms import render_forms
from render.song.song_map import BY_EAR, RE_RECORD
from reports.way_back.markers import lead_of_renders_frames, write_midi
from tests.songs import make_song

PLACES = [(1, f"{RE_RECORD}bar 1, refrain: the first beat"), (2, f"{BY_EAR}bar 2, verse: the join")]


@pytest.mark.parametrize(
    "song_table",
    [
        {},
        {"changes": [{"bar": 4, "tempo": 97.3}, {"bar": 6, "meter": "3/4"}, {"bar": 7, "meter": "4/4"}]},
        {"changes": [{"bar": 3, "meter": "7/8"}, {"bar": 5, "meter": "4/4", "tempo": 111.1}]},
    ],
)
@pytest.mark.parametrize(
    "parts",
    [["refrain", "silence 1 bar", "verse", "intro"], ["verse bars 1-3", "outro", "silence 3 beats", "intro"]],
)
def test_a_forms_map_on_its_render(tmp_path: Path, parts: list[str], song_table: dict) -> None:
    song = make_song(tmp_path, forms={"turned": parts}, song=song_table, tail_s=4.0, start=0.75)
    form, manifest = song.form("turned"), render_forms(song)
    render = next(one for one in manifest.forms if one.name == "turned")
    write_midi(song, form, tmp_path / "rebuild.mid", places=PLACES)
    audio = read_audio(tmp_path / render.wav)
    mapped = map_on_bounce(tmp_path / "rebuild.mid", audio, 48000, 0.0, onsets(audio, 48000)).map
    timeline, lead = lay_out(song, form), lead_of_renders_frames(song, form)
    assert abs(mapped.grid.line_frame(1) - lead) <= 1
    for placed in timeline.parts:
        if placed.start_bar.denominator == 1:
            line = mapped.grid.line_frame(int(placed.start_bar) + 1)
            assert abs(line - (lead + placed.start)) <= 1  # tempos in whole microseconds
    marked = mapped.sections().sections
    names = [part.text.replace("silence", "pause") for part in form.parts]
    assert [section.name for section in marked] == names
    assert [section.pickup_beats for section in marked] == [0] * len(parts)
    first_s = [float(mapped.grid.line_s(section.first_bar)) for section in marked]
    assert first_s == pytest.approx([(lead + p.start) / 48000 for p in timeline.parts], abs=0.001)
    assert mapped.grid.start_s == pytest.approx(Fraction(lead, 48000), abs=1e-5)


def test_places_of_the_re_record_list_are_markers(tmp_path: Path) -> None:
    song = make_song(tmp_path, forms={"turned": ["refrain", "intro"]})
    write_midi(song, song.form("turned"), tmp_path / "a.mid", places=PLACES)
    texts = [
        m.text for m in mido.MidiFile(tmp_path / "a.mid", charset="utf-8").tracks[0] if m.type == "marker"
    ]
    assert texts[:2] == ["lead-in", "refrain"]  # a part comes before what is to be done in it
    assert set(texts) == {"lead-in", "refrain", "intro", PLACES[0][1], PLACES[1][1]}
