"""24-bit WAV and FLAC files: the same integers in both, all of one size, nothing in them but audio.

Files are read back by libsndfile and by strict walkers written here from the formats: RIFF (each chunk is
padded to an even length, the RIFF size counts everything after it) and FLAC's metadata blocks (RFC 9639).
"""

from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from render.arrays import Audio
from render.audio.containers import pad_wav, wav_audio_sha256, wav_bytes
from render.audio.integers import SUBTYPE, to_int24, write_24_bit
from render.errors import NotRenderedError, WriteError
from render.files import replacing
from tests.renders import chunks


def noise(frames: int = 5000, channels: int = 2, seed: int = 1) -> Audio:
    rng = np.random.default_rng(seed)
    return (0.3 * rng.standard_normal((frames, channels))).astype(np.float32).clip(-0.89, 0.89)


def integers(audio: Audio, gain: float = 1.0) -> NDArray[np.int32]:
    return to_int24(audio, gain, np.empty_like(audio))


def read(path: Path) -> NDArray[np.int32]:
    return soundfile.read(path, dtype="int32", always_2d=True)[0]


def test_rounding_is_to_the_nearest_24_bit_integer() -> None:
    steps = np.array([[0.0], [0.4], [0.6], [-0.4], [-0.6], [1000.5], [1001.5]], np.float32)
    audio = steps / np.float32(1 << 23)
    assert (integers(audio)[:, 0] // 256).tolist() == [0, 0, 1, 0, -1, 1000, 1002]  # halves to even
    assert (integers(2 * audio, 0.5) == integers(audio)).all()


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("rate", [44100, 48000, 96000])
def test_wav_and_flac_hold_the_same_integers(tmp_path: Path, channels: int, rate: int) -> None:
    audio = noise(channels=channels)
    wanted = integers(audio, 0.7)
    for kind in ("WAV", "FLAC"):
        path = tmp_path / f"a.{kind}"
        write_24_bit(path, [wanted[:1234], wanted[1234:]], rate, channels, kind)
        info = soundfile.info(path)
        assert (info.samplerate, info.channels, info.subtype, info.frames) == (rate, channels, SUBTYPE, 5000)
        assert (read(path) == wanted).all()


def test_left_to_the_writer_they_would_differ(tmp_path: Path) -> None:
    """Why we round ourselves: libsndfile's own conversion of the same floats is not the same for both."""
    audio = noise()
    for kind in ("WAV", "FLAC"):
        soundfile.write(tmp_path / f"a.{kind}", audio, 48000, subtype="PCM_24")
    assert (read(tmp_path / "a.WAV") != read(tmp_path / "a.FLAC")).mean() > 0.1


@pytest.mark.parametrize(("frames", "channels"), [(5000, 2), (4999, 1), (1, 1)])
@pytest.mark.parametrize("more", [0, 2, 1000, 100_000])
def test_a_padded_wav_is_in_order_and_sounds_the_same(
    tmp_path: Path, frames: int, channels: int, more: int
) -> None:
    path = tmp_path / "a.wav"
    wanted = integers(noise(frames, channels))
    write_24_bit(path, [wanted], 48000, channels)
    before = wav_audio_sha256(path)
    size = wav_bytes(frames, channels) + more
    pad_wav(path, size)
    assert path.stat().st_size == size
    kinds = [kind for kind, _ in chunks(path)]
    assert kinds == [b"fmt ", b"data", b"JUNK"]
    assert not any(chunks(path)[2][1])
    assert (read(path) == wanted).all()
    assert wav_audio_sha256(path) == before


def test_padding_may_grow_and_shrink_again(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    wanted = integers(noise(101, 1))
    write_24_bit(path, [wanted], 48000, 1)
    least = wav_bytes(101, 1)
    for size in (least + 500, least + 20, least, least + 5000):
        pad_wav(path, size)
        assert path.stat().st_size == size
        assert [kind for kind, _ in chunks(path)] == [b"fmt ", b"data", b"JUNK"]
        assert (read(path) == wanted).all()


def test_the_audios_hash_is_of_the_audio_alone(tmp_path: Path) -> None:
    one, two = tmp_path / "1.wav", tmp_path / "2.wav"
    for path, seed in ((one, 1), (two, 2)):
        write_24_bit(path, [integers(noise(seed=seed))], 48000, 2)
    same = wav_audio_sha256(one)
    pad_wav(one, wav_bytes(5000, 2) + 999_998)
    assert wav_audio_sha256(one) == same != wav_audio_sha256(two)


def test_what_is_no_wav_is_refused(tmp_path: Path) -> None:
    for content in (b"", b"not audio at all, but long enough", b"RIFF\x04\x00\x00\x00WAVE"):
        (tmp_path / "a.wav").write_bytes(content)
        with pytest.raises(NotRenderedError, match="delete it and run `fairhearing render`"):
            wav_audio_sha256(tmp_path / "a.wav")


def test_a_file_is_replaced_whole_or_not_at_all(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    path.write_text("old")
    with pytest.raises(ValueError), replacing(path) as half:
        half.write_text("half of the n")
        raise ValueError
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]
    with replacing(path) as half:
        half.write_text("new")
    assert path.read_text() == "new"
    with (
        pytest.raises(WriteError, match=r"a\.txt could not be written: .*make room"),
        replacing(path) as half,
    ):
        half.write_text("half")
        raise OSError(28, "No space left on device")
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]
