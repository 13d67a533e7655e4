"""Ten seconds of silence in front of a bounce change nothing that is found, and are said."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from render.proposals.new_song import propose
from tests.invented_songs import SONGS, play

RATE = 22050
SILENCE_S = 10.0


@pytest.mark.parametrize("name", ["band", "ballad"])
def test_start_tempo_and_sections_are_the_same_and_the_silence_is_said(tmp_path: Path, name: str) -> None:
    sound = play(next(song for song in SONGS if song.name == name), RATE)
    late = np.concatenate([np.zeros((round(SILENCE_S * RATE), 2), np.float32), sound])
    found = []
    for number, audio in enumerate((sound, late)):
        path = tmp_path / f"{number}.wav"
        soundfile.write(path, audio, RATE, subtype="PCM_24")
        found.append(propose(path))
    plain, after_silence = found
    assert after_silence.tempo == plain.tempo
    assert after_silence.start_s == pytest.approx(plain.start_s + SILENCE_S, abs=0.003)
    bars = [[(s.name, s.bars_text) for s in one.suggestion.sections] for one in found]
    assert bars[0] == bars[1]
    said = " ".join(after_silence.lines)
    assert "s of silence" in said and "bounce the song without it" in said
    assert "of silence" not in " ".join(plain.lines)
