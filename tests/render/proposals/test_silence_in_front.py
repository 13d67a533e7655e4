"""Ten seconds of silence in front of a bounce change nothing that is found, and are said; an intro of soft
pads is no silence, and its bars are the song's."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from render.proposals.new_song import propose
from render.song.song import song_from_text
from tests.invented_songs import SONGS, play

RATE = 22050
SILENCE_S = 10.0


@pytest.mark.parametrize("name", ["band", "ballad"])
def test_start_tempo_and_sections_are_the_same_and_the_silence_is_said(tmp_path: Path, name: str) -> None:
    sound = play(next(song for song in SONGS if song.name == name), RATE)
    late = np.concatenate([np.zeros((round(SILENCE_S * RATE), 2), np.float32), sound])
    proposals = []
    for number, audio in enumerate((sound, late)):
        path = tmp_path / f"{number}.wav"
        soundfile.write(path, audio, RATE, subtype="PCM_24")
        proposals.append(propose(path))
    plain, after_silence = proposals
    songs = [song_from_text(proposal.text, tmp_path) for proposal in proposals]
    assert songs[1].grid.tempo == songs[0].grid.tempo
    starts = [float(song.grid.start_s) for song in songs]
    assert starts[1] == pytest.approx(starts[0] + SILENCE_S, abs=0.003)
    assert songs[1].sections == songs[0].sections
    said = " ".join(after_silence.lines)
    assert "s of silence" in said and "bounce the song without it" in said
    assert "of silence" not in " ".join(plain.lines)


def test_a_soft_intro_without_attacks_is_no_silence_and_holds_bar_1(tmp_path: Path) -> None:
    """Eight bars of a pad 30 dB down, which swells in, before the band."""
    song = next(song for song in SONGS if song.name == "band")
    band, bars = play(song, RATE), 8
    seconds = np.arange(round((bars * song.bar_s + song.start_s) * RATE)) / RATE
    pad = 0.02 * np.minimum(seconds, 1) * sum(np.sin(2 * np.pi * f * seconds) for f in (261.6, 329.6, 392.0))
    sound = np.concatenate([pad[:, None].repeat(2, axis=1), band[round(song.start_s * RATE) :]])
    soundfile.write(tmp_path / "soft.wav", sound, RATE, subtype="PCM_24")
    proposal = propose(tmp_path / "soft.wav", tempo=song.tempo)
    assert "of silence" not in " ".join(proposal.lines)
    start_s = float(song_from_text(proposal.text, tmp_path).grid.start_s)
    assert start_s == pytest.approx(song.start_s, abs=0.025)
