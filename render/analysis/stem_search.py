"""Stems found in a folder: their names, and whether they lie exactly under the bounce.

A stem's offset is the peak of its cross-correlation with the bounce, divided by the bounce's own power
spectrum: the matched filter for a known sound in the noise that all the other instruments are.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from render.arrays import Audio, Floats
from render.audio.loudest import loudest
from render.audio.stem_fit import NULL_DB, StemFit, check_stems
from render.audio.stems import WINDOW_S, fit_stems
from render.errors import AudioError
from render.song.audio_header import AudioInfo, audio_info
from render.steps import Step, no_step

SUFFIXES = frozenset({".wav", ".flac", ".aif", ".aiff", ".ogg"})
EXACT_DB = -190.0  # nothing but what the floor of the measurement leaves
EXCERPT_S = 20.0
FARTHEST_S = 10.0
_CLEAR_PEAK = 12.0  # times the RMS of the correlation; noise of a million values peaks at 5
_SMOOTHED_BINS = 50


@dataclass(frozen=True)
class FoundStem:
    """A file that looks like a stem.

    `offset_frames`: how many frames later than in the bounce it sounds (negative: earlier); None where
    it cannot be found in the bounce. `problem`: why it cannot be used as it is, and what to do; None if it
    can.
    """

    name: str
    path: Path
    offset_frames: int | None
    problem: str | None


@dataclass(frozen=True)
class StemSearch:
    """All stems found. `fit`: how the usable ones add up to the bounce; `moved_residual_db`: what is left
    of the bounce once every stem is moved by its own offset (None where none needs to be moved)."""

    stems: tuple[FoundStem, ...]
    fit: StemFit | None
    moved_residual_db: float | None

    @property
    def usable(self) -> tuple[FoundStem, ...]:
        return tuple(s for s in self.stems if s.problem is None)

    def lines(self) -> list[str]:
        """What to tell a person."""
        if not self.stems:
            return ["no stems were found: none of the folder's files is audio that could be one"]
        lines = [f"{s.name}: {s.problem}" for s in self.stems if s.problem]
        if self.moved_residual_db is not None:
            lines.append(
                f"moved by these offsets, all stems leave {self.moved_residual_db:.1f} dB of the bounce"
            )
        if self.fit and self.fit.nulls:
            left = self.fit.residual_db
            how = "sample for sample" if left <= EXACT_DB else f"but for {left:.1f} dB"
            lines.append(f"{_names(self.usable)} add up to the bounce, {how}")
        elif self.fit:
            lines.append(
                f"{_names(self.usable)} do not add up to the bounce: {self.fit.residual_db:.1f} dB is left "
                f"(wanted: {NULL_DB:.0f} dB), most at {self.fit.worst_at_s:.1f} s; export bounce and stems "
                "from the same session with the same effects on the sum"
            )
        return lines


def search(folder: Path, bounce_path: Path, bounce: Audio, step: Step = no_step) -> StemSearch:
    """Find stems of `bounce` (frames, channels) in `folder`; `bounce_path` itself is left out.

    Raises:
        AudioError: `folder` is not a folder.
    """
    if not folder.is_dir():
        raise AudioError(f"there is no folder {folder}; name the folder that holds the stems")
    paths = [
        path
        for path in sorted(folder.iterdir())
        if path.suffix.lower() in SUFFIXES and path.is_file() and path.resolve() != bounce_path.resolve()
    ]
    whole = audio_info(bounce_path)
    names = stem_names([path.stem for path in paths], bounce_path.stem)
    step("comparing the stems with the bounce", 0, len(paths) + 1)
    if (nulling := _nulling(dict(zip(names, paths, strict=True)), whole, bounce)) is not None:
        return nulling
    examined = []
    for number, (name, path) in enumerate(zip(names, paths, strict=True), start=1):
        step(f"looking for {name} in the bounce", number, len(paths) + 1)
        examined.append(_examined(name, path, whole, bounce))
    stems = tuple(examined)
    usable = {s.name: s.path for s in stems if s.problem is None}
    fit = fit_stems(bounce, usable, whole.sample_rate) if usable else None
    return StemSearch(stems, fit, _moved_residual_db(stems, whole, bounce))


def _nulling(files: Mapping[str, Path], whole: AudioInfo, bounce: Audio) -> StemSearch | None:
    """Stems that add up to the bounce as they are: then none of them needs to be looked for in it."""
    try:
        check_stems(files, whole)
        fit = fit_stems(bounce, files, whole.sample_rate)
    except AudioError:
        return None
    if not fit.nulls or not files:
        return None
    stems = tuple(FoundStem(name, path, 0, None) for name, path in files.items())
    return StemSearch(stems, fit, None)


def stem_names(file_names: Sequence[str], bounce_name: str) -> list[str]:
    """Short names from file names: "01 Harbour Lights_BASS-stem" -> "bass"; unique."""
    plain = [_words(name) for name in file_names]
    shared_words = itertools.takewhile(lambda same: len(set(same)) == 1, zip(*plain, strict=False))
    common = len(list(shared_words)) if len(plain) > 1 else 0
    title = _words(bounce_name)
    names: list[str] = []
    for words in plain:
        rest = words[common:] or words
        for shared in (title, ["stem"], ["stems"], ["track"]):
            if len(rest) > len(shared) and rest[: len(shared)] == shared:
                rest = rest[len(shared) :]
            if len(rest) > len(shared) and rest[-len(shared) :] == shared:
                rest = rest[: -len(shared)]
        name = " ".join(rest) or "stem"
        number = 2
        while name in names:
            name = f"{' '.join(rest)} {number}"
            number += 1
        names.append(name)
    return names


def _words(name: str) -> list[str]:
    words = re.sub(r"[^\w#+&]+|_", " ", name).casefold().split()
    return words[1:] if len(words) > 1 and words[0].isdigit() else words


def _examined(name: str, path: Path, whole: AudioInfo, bounce: Audio) -> FoundStem:
    try:
        info = audio_info(path)
        if info.sample_rate != whole.sample_rate:
            problem = f"has {info.sample_rate} Hz, the bounce {whole.sample_rate} Hz; export it again alike"
            return FoundStem(name, path, None, problem)
        offset = find_offset(path, info, bounce)
    except AudioError as error:
        return FoundStem(name, path, None, str(error))
    except soundfile.LibsndfileError:
        return FoundStem(name, path, None, "cannot be decoded to its end; export it again")
    return FoundStem(name, path, offset, _problem(offset, info, whole))


def _problem(offset: int | None, info: AudioInfo, whole: AudioInfo) -> str | None:
    problems, longer = [], info.frames - whole.frames
    if offset:
        way = "later" if offset > 0 else "earlier"
        milliseconds = 1000 * abs(offset) / info.sample_rate
        problems.append(f"sounds {abs(offset)} frames ({milliseconds:.1f} ms) {way} than in the bounce")
    if longer:
        problems.append(f"is {abs(longer)} frames {'longer' if longer > 0 else 'shorter'} than the bounce")
    if info.channels not in (1, whole.channels):
        problems.append(f"has {info.channels} channels, the bounce {whole.channels}")
    if not problems:
        return None
    return " and ".join(problems) + "; export it again from the same start to the same end"


def find_offset(path: Path, info: AudioInfo, bounce: Audio) -> int | None:
    """How many frames later than in the bounce the stem sounds, exactly; None where it is not in it.

    Uses the stem's loudest 20 s, and finds offsets up to 10 s.
    """
    # slow to import: only where a stem is looked for
    from scipy import fft, ndimage
    from scipy.signal.windows import tukey

    rate = info.sample_rate
    frames = min(round(EXCERPT_S * rate), info.frames)
    start = loudest(path, frames)
    stem, _ = soundfile.read(path, start=start, frames=frames, dtype="float32", always_2d=True)
    reach = round(FARTHEST_S * rate)
    lo, hi = max(start - reach, 0), min(start + frames + reach, len(bounce))
    if hi - lo < rate // 10 or not np.any(stem):
        return None
    size = fft.next_fast_len(hi - lo + frames, real=True)
    one = fft.rfft(bounce[lo:hi].mean(axis=1) * tukey(hi - lo, 0.02), size)
    two = fft.rfft(stem.mean(axis=1) * tukey(len(stem), 0.1), size)
    power = ndimage.uniform_filter1d(np.abs(one) ** 2, _SMOOTHED_BINS)
    response = np.abs(fft.irfft(one * np.conj(two) / (power + 1e-7 * power.mean() + 1e-20), size))
    at = int(np.argmax(response))
    if response[at] < _CLEAR_PEAK * (float(np.sqrt(np.mean(response**2))) + 1e-20):
        return None
    place = at if at < size - frames else at - size  # where in the bounce's excerpt the stem's begins
    return start - (lo + place)


def _moved_residual_db(stems: Sequence[FoundStem], whole: AudioInfo, bounce: Audio) -> float | None:
    """What is left of the bounce when all stems, each moved by its offset, are taken away; dB."""
    placed = [s for s in stems if s.offset_frames is not None]
    if not any(s.offset_frames for s in placed):
        return None
    window = round(WINDOW_S * whole.sample_rate)
    files = [(soundfile.SoundFile(s.path), s.offset_frames or 0) for s in placed]
    rest = total = 0.0
    try:
        for start in range(0, len(bounce), window):
            mix = bounce[start : start + window].astype(np.float64)
            total += float(np.vdot(mix, mix))
            for file, offset in files:
                mix -= _excerpt(file, start + offset, len(mix))
            rest += float(np.vdot(mix, mix))
    finally:
        for file, _ in files:
            file.close()
    return float(10 * np.log10(max(rest, 1e-20) / max(total, 1e-20)))


def _excerpt(file: soundfile.SoundFile, start: int, frames: int) -> Floats:
    """Frames from `start` of a file, zeros outside it."""
    out: NDArray[np.float64] = np.zeros((frames, file.channels))
    lo, hi = max(start, 0), min(start + frames, file.frames)
    if lo < hi:
        file.seek(lo)
        out[lo - start : hi - start] = file.read(hi - lo, dtype="float64", always_2d=True)
    return out


def _names(stems: Sequence[FoundStem]) -> str:
    names = [s.name for s in stems]
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]
