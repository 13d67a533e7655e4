"""An audio file's header (rate, channels, frames), checked against the file."""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass
from pathlib import Path

from render.errors import AudioError
from render.riff import chunks

# Written where the length is not known beforehand (by programs that write into a pipe): no promise at all.
UNKNOWN_LENGTHS = {0xFFFFFFFF, 0x7FFFFFFF, 0xFFFFFFFE}

PLAIN = {(1, 16), (1, 24), (1, 32), (3, 32), (3, 64)}  # WAVE_FORMAT_PCM and _IEEE_FLOAT, bits a sample
EXTENSIBLE, EXTENSIBLE_BYTES = 0xFFFE, 40  # WAVE_FORMAT_EXTENSIBLE: the format is in a GUID that ends so:
EXTENSIBLE_TAIL = bytes.fromhex("000000001000800000aa00389b71")


@dataclass(frozen=True)
class AudioInfo:
    """What an audio file's header says."""

    path: Path
    sample_rate: int
    channels: int
    frames: int

    @property
    def seconds(self) -> float:
        return self.frames / self.sample_rate


def audio_info(path: Path) -> AudioInfo:
    """The header of an audio file, refused where nothing could be done with it."""
    if not path.is_file():
        raise AudioError(f"there is no audio file {path}; check the name in song.toml")
    info = _plain_wav(path) or _by_libsndfile(path)
    if info.frames == 0:
        raise AudioError(f"{path} holds no audio (0 frames); export it again")
    if info.channels > 2:
        raise AudioError(f"{path} has {info.channels} channels; bounce the song to stereo or mono")
    if info.sample_rate < 8000:
        raise AudioError(f"{path} has {info.sample_rate} Hz; bounce the song at 8000 Hz or more")
    return info


def _plain_wav(path: Path) -> AudioInfo | None:
    """The header of a whole WAV file of 16-bit to 32-bit integers or floats; None for anything else.

    Most bounces are such files, and a command that only asks how long one is need not load libsndfile with
    numpy. What is damaged, cut short or unusual is left to libsndfile.
    """
    try:
        with path.open("rb") as file:
            by_name = {chunk.name: chunk for chunk in chunks(file, path)}
            form, data = by_name[b"fmt "], by_name[b"data"]
            file.seek(form.at)
            content = file.read(min(form.length, EXTENSIBLE_BYTES))
        tag, channels, sample_rate, _, frame_bytes, bits = struct.unpack_from("<HHIIHH", content)
        if tag == EXTENSIBLE and content[26:40] == EXTENSIBLE_TAIL:
            tag = struct.unpack_from("<H", content, 24)[0]
    except (AudioError, OSError, KeyError, struct.error):
        return None
    plain = (tag, bits) in PLAIN and channels > 0 and frame_bytes == channels * bits // 8
    whole = form.at < data.at and data.length % max(frame_bytes, 1) == 0 and data.length > 0
    return AudioInfo(path, sample_rate, channels, data.length // frame_bytes) if plain and whole else None


def _by_libsndfile(path: Path) -> AudioInfo:
    """The header of any other audio file."""
    import soundfile  # here, because what needs no audio (`status`) must not wait for it

    try:
        with soundfile.SoundFile(path) as file:
            info = AudioInfo(path, file.samplerate, file.channels, max(file.frames, 0))
            subtype, remarks = file.subtype, file.extra_info
    except (soundfile.LibsndfileError, OSError, RuntimeError, TypeError):  # TypeError: headerless audio
        raise AudioError(
            f"{path} cannot be read as audio; export it again as WAV, FLAC, AIFF, OGG or MP3"
        ) from None
    if info.frames and subtype in ("PCM_S8", "PCM_U8"):
        raise AudioError(f"{path} has 8 bits a sample; bounce the song with 16 bits or more")
    if info.frames and (promised := _promised_share(remarks, info.frames)) > 1:
        raise AudioError(
            f"{path} was cut short: its header promises {promised * info.seconds:.2f} s of audio, it holds "
            f"{info.seconds:.2f} s; copy or export it again, whole"
        )
    return info


def _promised_share(remarks: str, frames: int) -> float:
    """The audio that a header promises over what is there, 1 where it is not more.

    `remarks`: libsndfile's own notes on reading it (WAV and AIFF chunks by bytes, RF64 by frames).
    """
    chunk = re.search(r"^\s*(?:data|SSND) : (\d+) \(should be (\d+)\)", remarks, re.MULTILINE)
    if chunk and int(chunk[1]) not in UNKNOWN_LENGTHS and int(chunk[2]) > 0:
        return max(int(chunk[1]) / int(chunk[2]), 1.0)
    ds64 = re.search(r"does not match value from 'ds64' chunk of (\d+)", remarks)
    return max(int(ds64[1]) / frames, 1.0) if ds64 else 1.0
