"""The bounce and its stems as sources of samples, and whether the stems add up to the bounce.

`without STEM` is the bounce minus the stem where the stems null against the bounce; else it is the
sum of the other stems, times the one gain that matches all stems together to the bounce.
"""

from __future__ import annotations

import wave
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from functools import cached_property, lru_cache, partial
from pathlib import Path
from threading import Lock

import numpy as np
import soundfile

from render.arrays import Audio
from render.audio.containers import SAMPLE_BYTES
from render.audio.decay import decay_time_s, slot_frames
from render.audio.integers import from_int24
from render.audio.stem_fit import NULL_DB, StemFit, check_stems
from render.errors import AudioError
from render.files import Signs, signs
from render.kept import kept, key_of
from render.song.audio_header import AudioInfo, audio_info
from render.song.forms import Treatment
from render.song.song import Song

ABSURD = 1000.0  # times full scale: no mix is 60 dB too loud
WINDOW_S = 0.4
_FLOOR_DB = -200.0
_BLOCK_FRAMES = 1 << 20


def fit_stems(bounce: Audio, stems: Mapping[str, Path], sample_rate: int) -> StemFit:
    """Compare the sum of all stems with the bounce, 400 ms at a time.

    Raises:
        AudioError: a stem ends early, or holds a sample that is no number.
    """
    window = round(WINDOW_S * sample_rate)
    cross, own, bounce_power, rest_power = 0.0, 0.0, [], []
    with ExitStack() as opened:
        readers = [_in_order(path, opened) for path in stems.values()]
        for start in range(0, len(bounce), window):
            mix = bounce[start : start + window]
            total = np.zeros_like(mix)
            for next_frames in readers:
                total += next_frames(len(mix))
            rest = mix - total
            cross += _product(mix, total)
            own += _product(total, total)
            bounce_power.append(_product(mix, mix))
            rest_power.append(_product(rest, rest))
    mean = sum(bounce_power) / max(len(bounce_power), 1)
    worst = int(np.argmax(rest_power))
    return StemFit(
        residual_db=_ratio_db(sum(rest_power), sum(bounce_power)),
        worst_db=_ratio_db(rest_power[worst], mean),
        worst_at_s=worst * window / sample_rate,
        gain=cross / own if own > 0 else 1.0,
    )


def _in_order(path: Path, opened: ExitStack) -> Callable[[int], Audio]:
    """What gives the next so many frames of a file; the file is closed with `opened`.

    Most stems are 24-bit WAV files: the standard library finds their bytes, which numpy decodes to
    the same numbers as libsndfile (a test compares them) in a fifth of its time.
    """
    try:
        wav = opened.enter_context(wave.Wave_read(str(path)))
        whole = wav.getsampwidth() == SAMPLE_BYTES
    except (wave.Error, EOFError):  # floats, FLAC and all others
        whole = False
    if not whole:
        return partial(_read_exactly, opened.enter_context(soundfile.SoundFile(path)))

    def next_frames(frames: int) -> Audio:
        integers = from_int24(wav.readframes(frames), 1)
        if len(integers) < frames * wav.getnchannels():
            raise AudioError(f"{path} cannot be decoded to its end; export it again")
        samples = integers.astype(np.float32).reshape(frames, -1)
        samples *= np.float32(2**-31)
        return samples

    return next_frames


def kept_stem_fit(song: Song, bounce: Audio) -> StemFit | None:
    """How the song's stems fit its bounce, kept beside its renders while the files stay as they are."""
    if not song.stems:
        return None
    files = [song.audio.path, *song.stems.values()]
    key = key_of("stem fit", list(song.stems), files=files, folder=song.folder)
    path = song.folder / "renders" / "stem-fit.json"
    return kept(path, key, StemFit, lambda: fit_stems(bounce, song.stems, song.audio.sample_rate))


def fit_stems_once(song: Song) -> StemFit | None:
    """How the song's stems fit its bounce, kept in memory while the files stay as they are.

    Raises:
        AudioError: as check_stems and fit_stems.
    """
    if not song.stems:
        return None
    files = (song.audio.path, *song.stems.values())
    return _fit_of(song.audio, tuple(song.stems.items()), tuple(map(signs, files)))


@lru_cache(maxsize=4)
def _fit_of(
    audio: AudioInfo, stems: tuple[tuple[str, Path], ...], _signs: tuple[Signs | None, ...]
) -> StemFit:
    check_stems(dict(stems), audio)
    return fit_stems(read_audio(audio.path), dict(stems), audio.sample_rate)


@lru_cache(maxsize=4)
def _decay_of(path: Path, rate: int, _signs: Signs | None) -> float | None:
    """The decay of a file, read block by block; as long as it stays as it is."""
    frames = _BLOCK_FRAMES // slot_frames(rate) * slot_frames(rate)
    with soundfile.SoundFile(path) as file:
        return decay_time_s(file.blocks(frames, dtype="float32", always_2d=True), rate)


class Mixes:
    """The song's samples under any treatment; stems are read as needed, and the bounce unless given."""

    def __init__(self, song: Song, bounce: Audio | None, fit: StemFit | None) -> None:
        self.bounce = bounce
        self.frames, self.channels = song.audio.frames, song.audio.channels
        self.sample_rate = song.audio.sample_rate
        self._path, self._paths = song.audio.path, song.stems
        self._fit = fit
        self._files: dict[Path, soundfile.SoundFile] = {}
        self._reading = Lock()  # a file has one position, and forms are rendered side by side

    def read(self, treatment: Treatment, start: int, stop: int) -> Audio:
        """Frames [start, stop): (frames, channels) float32; of the bounce itself a view, not a copy."""
        if treatment.mode == "all":
            return self._whole(start, stop)
        if treatment.mode == "without":
            assert self._fit is not None, "the stems' fit is found when they are checked"
            if self._fit.nulls:
                return self._whole(start, stop) - self._sum(treatment.stems, start, stop)
        kept = [s for s in self._paths if treatment.plays(s)]
        gain = 1.0 if self._fit is None or self._fit.nulls else self._fit.gain
        return (self._sum(kept, start, stop) * np.float32(gain)).astype(np.float32)

    def apart(self, treatment: Treatment, start: int, stop: int) -> list[Audio]:
        """The same frames as every stem alone, silent where it is left out, and what no stem has.

        Only itself where the stems do not null here against it.
        """
        whole = self.read(treatment, start, stop)
        played = [name for name in self._paths if treatment.plays(name)]
        stems = [self._sum([name] if name in played else [], start, stop) for name in self._paths]
        rest = whole - sum(stems, np.zeros_like(whole))
        if not stems or _product(rest, rest) > 10 ** (NULL_DB / 10) * _product(whole, whole):
            return [whole]
        return [*stems, rest]

    @cached_property
    def decay_s(self) -> float | None:
        """The bounce's reverberation time (decay.py), in seconds; None where no sound dies away freely."""
        if self.bounce is not None:
            return decay_time_s([self.bounce], self.sample_rate)
        return _decay_of(self._path, self.sample_rate, signs(self._path))

    def __enter__(self) -> Mixes:
        return self

    def __exit__(self, *_error: object) -> None:
        self.close()

    def close(self) -> None:
        for file in self._files.values():
            file.close()
        self._files.clear()

    def _sum(self, names: Sequence[str], start: int, stop: int) -> Audio:
        total = np.zeros((stop - start, self.channels), np.float32)
        for name in names:
            total += self._of(self._paths[name], start, stop)
        return total

    def _whole(self, start: int, stop: int) -> Audio:
        """Frames of the bounce."""
        return self._of(self._path, start, stop) if self.bounce is None else self.bounce[start:stop]

    def _of(self, path: Path, start: int, stop: int) -> Audio:
        with self._reading:
            if path not in self._files:
                self._files[path] = soundfile.SoundFile(path)
            self._files[path].seek(start)
            return _read_exactly(self._files[path], stop - start)


def read_audio(path: Path, tell: Callable[[Audio], None] = lambda _block: None) -> Audio:
    """A whole file as (frames, channels) float32; samples over full scale are kept.

    Each block is told of in order, as soon as it is there.

    Raises:
        AudioError: unreadable, cut short, or holding a NaN or an infinity (with its place).
    """
    info, got = audio_info(path), 0
    out = np.empty((info.frames, info.channels), np.float32)
    try:
        with soundfile.SoundFile(path) as file:
            for start in range(0, info.frames, _BLOCK_FRAMES):
                block = out[start : start + _BLOCK_FRAMES]
                got += len(file.read(dtype="float32", always_2d=True, out=block))
                if got < start + len(block):
                    break
                _require_numbers(block, path, start, info.sample_rate)
                tell(block)
    except (soundfile.LibsndfileError, OSError, RuntimeError):
        raise AudioError(f"{path} cannot be decoded to its end; export it again") from None
    if got < info.frames:
        raise AudioError(f"{path} ends after {got} of {info.frames} frames; export it again")
    return out


def _read_exactly(file: soundfile.SoundFile, frames: int) -> Audio:
    start = file.tell()
    try:
        block: Audio = file.read(frames, dtype="float32", always_2d=True)
    except (soundfile.LibsndfileError, OSError, RuntimeError):
        block = np.empty((0, file.channels), np.float32)
    if len(block) < frames:
        raise AudioError(f"{file.name} cannot be decoded to its end; export it again")
    _require_numbers(block, file.name, start, file.samplerate)
    return block


def _require_numbers(block: Audio, path: Path | str, start: int, sample_rate: int) -> None:
    """Refuse a NaN, an infinity, and what is so far over full scale that it can be no sound."""
    if not block.size or (block.min() > -ABSURD and block.max() < ABSURD):  # a NaN is neither
        return
    at = int(np.argmax(~(np.abs(block) < ABSURD).all(axis=1)))
    value = block[at][~(np.abs(block[at]) < ABSURD)][0]
    what = f"{abs(value):.3g} times full scale" if np.isfinite(value) else "that is no number"
    raise AudioError(
        f"{path} holds a sample {what} at {(start + at) / sample_rate:.3f} s (frame {start + at}); bounce it "
        "again and look for a faulty effect there"
    )


def _product(one: Audio, two: Audio) -> float:
    """The sum of products, in double precision (einsum, because BLAS threads cost more than they bring)."""
    return float(np.einsum("ij,ij->", one, two, dtype=np.float64))


def _ratio_db(power: float, reference: float) -> float:
    if power <= 0 or reference <= 0:
        return _FLOOR_DB if power <= 0 else float("inf")
    return max(float(10 * np.log10(power / reference)), _FLOOR_DB)
