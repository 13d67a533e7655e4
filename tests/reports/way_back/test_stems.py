"""The stems of a form: they add up to it as it is rendered, and other programs read them."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from render.audio.splice import Splicer
from render.audio.stems import Mixes, read_audio
from render.audio.timeline import lay_out, longest_lead
from render.errors import WriteError
from render.renders.manifest import Manifest
from render.renders.render_forms import render_forms
from render.song.song import Song
from reports.way_back.stems import stems_bytes, write_stems
from tests.command_line import told
from tests.songs import make_song

NAMES = ("drums", "bass", "voice")


def step(_what: str, _done: int, _of: int) -> None:
    pass


def made(folder: Path, parts: list[str], **options: Any) -> tuple[Song, Manifest]:
    song = make_song(folder, stems=NAMES, forms={"turned": parts}, **options)
    return song, render_forms(song)


PARTS = [
    "refrain x2",
    "silence 1 bar",
    "verse without drums",
    "refrain only bass and voice",
    "intro",
    "outro",
]


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
def test_they_add_up_to_the_form_before_its_gain(tmp_path: Path, subtype: str) -> None:
    song, manifest = made(tmp_path, PARTS, subtype=subtype, gain=0.2)
    form = song.form("turned")
    stems = write_stems(song, form, manifest, tmp_path / "way", step)
    assert stems is not None and [path.stem for path in stems.paths] == list(NAMES)
    timeline = lay_out(song, form)
    lead = longest_lead(song, [lay_out(song, one) for one in song.forms])
    with Mixes(song, read_audio(song.audio.path), manifest.stem_fit) as mixes:
        mix = np.concatenate([*Splicer(timeline, mixes, lead).blocks()]).astype(np.float64)
    total = sum(soundfile.read(path, always_2d=True)[0] for path in stems.paths)
    left_db = 10 * np.log10(np.mean((mix - total) ** 2) / np.mean(mix**2))
    assert manifest.stem_fit is not None
    # in all, and in the worst 400 ms: what the stems leave of the bounce, and each file's own rounding
    rounding_db = 10 * np.log10(len(NAMES) / 12) - 6.02 * ({"PCM_16": 15, "PCM_24": 23}.get(subtype, 24))
    allowed = 10 * np.log10(
        10 ** (manifest.stem_fit.residual_db / 10) + 10 ** (rounding_db / 10) / np.mean(mix**2)
    )
    assert left_db <= allowed + 1 and left_db < -55
    assert stems.residual_db == pytest.approx(left_db, abs=0.5)
    assert {len(soundfile.read(path)[0]) for path in stems.paths} == {len(mix)}
    assert {soundfile.info(path).subtype for path in stems.paths} == {subtype}
    render = next(f for f in manifest.forms if f.name == "turned")
    assert len(mix) == render.frames


def test_away_from_the_joins_every_stem_is_untouched(tmp_path: Path) -> None:
    song, manifest = made(tmp_path, ["outro", "refrain", "intro"])
    stems = write_stems(song, song.form("turned"), manifest, tmp_path / "way", step)
    assert stems is not None
    timeline = lay_out(song, song.form("turned"))
    lead = longest_lead(song, [lay_out(song, one) for one in song.forms])
    for path, original in zip(stems.paths, song.stems.values(), strict=True):
        ours, theirs = soundfile.read(path, dtype="int32")[0], soundfile.read(original, dtype="int32")[0]
        for span in timeline.spans:
            inside = slice(span.start + 20_000 + lead, span.stop - 30_000 + lead)
            shift = span.source - span.start - lead
            assert np.array_equal(ours[inside], theirs[inside.start + shift : inside.stop + shift])


def test_overs_are_kept_in_floating_point(tmp_path: Path) -> None:
    song, manifest = made(tmp_path, ["outro", "intro"], subtype="FLOAT", gain=6.0)
    stems = write_stems(song, song.form("turned"), manifest, tmp_path / "way", step)
    assert stems is not None
    assert max(np.abs(soundfile.read(path)[0]).max() for path in stems.paths) > 1.0
    assert stems.residual_db < -100


@pytest.mark.skipif(shutil.which("ffprobe") is None, reason="needs ffprobe (FFmpeg)")
def test_ffprobe_reads_them(tmp_path: Path) -> None:
    song, manifest = made(tmp_path, ["outro", "intro"])
    stems = write_stems(song, song.form("turned"), manifest, tmp_path / "way", step)
    assert stems is not None
    for path in stems.paths:
        done = subprocess.run(
            ["ffprobe", "-v", "error", "-show_streams", "-of", "json", str(path)],
            capture_output=True,
            check=True,
        )
        (stream,) = json.loads(done.stdout)["streams"]
        assert stream["codec_name"] == "pcm_s24le" and stream["sample_rate"] == "48000"
        assert stream["duration_ts"] == soundfile.info(path).frames


def test_their_room_is_known_before_and_asked_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    song, manifest = made(tmp_path, ["outro", "intro"])
    stems = write_stems(song, song.form("turned"), manifest, tmp_path / "way", step)
    assert stems is not None
    assert stems_bytes(song, song.form("turned")) == pytest.approx(stems.bytes, rel=0.001)
    monkeypatch.setattr(shutil, "disk_usage", lambda _path: shutil._ntuple_diskusage(10, 9, 1))
    with pytest.raises(WriteError, match="--no-stems"):
        write_stems(song, song.form("turned"), manifest, tmp_path / "other", step)
    assert not (tmp_path / "other").exists()


def test_a_song_without_stems_has_none(tmp_path: Path) -> None:
    song = make_song(tmp_path, forms={"turned": ["outro", "intro"]})
    assert write_stems(song, song.form("turned"), render_forms(song), tmp_path / "way", step) is None


def test_the_command_writes_them_unless_it_is_told_not_to(tmp_path: Path) -> None:
    song, _manifest = made(tmp_path, ["outro", "intro"])
    words = ("decide", "turned", "--by", "ana", "--because", "it turns", "--yes")
    said = told(song.folder, *words, "--no-stems")
    assert "stems" not in said and not list((tmp_path / "report").rglob("stems"))
    said = " ".join(told(song.folder, *words).split())
    assert "The stems in this order take" in said and "add up to the form" in said
    (gain_db,) = (f.gain_db for f in _manifest.forms if f.name == "turned")
    assert ("lower" in said) == (gain_db <= -0.005) and (gain_db == 0 or f"{-gain_db:.2f} dB lower" in said)
    assert len(list((tmp_path / "report").glob("decision 2*/stems/*.wav"))) == len(NAMES)
