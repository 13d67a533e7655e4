"""Copies of the renders for page, packets and report: FLAC with the same integers, or Opus.

A browser decodes a whole file into memory, so copies of renders above 48 kHz are resampled to 48 or
44.1 kHz, all of a set in the same way (10 minutes in stereo then take 230 MB, at 96 kHz it were 460).
Made when first needed, and known by their names: DIGEST.flac belongs to the render DIGEST.wav. Their sums
are kept beside them: a copy of another sum, or of none that is known, is made again.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from render.arrays import Audio
from render.audio.containers import wav_audio_sha256
from render.audio.integers import Int32, to_int24, write_24_bit
from render.errors import NotRenderedError, WriteError
from render.files import file_sha256, replacing, write_beside
from render.renders.manifest import Manifest, RenderedForm

HIGHEST_RATE = 48000
OPUS_RATES = (8000, 12000, 16000, 24000, 48000)
OPUS_COMPRESSION = 0.5  # of libsndfile's 0-1: about 130 kbit/s a channel; 1.0 would be 12 kbit/s
BLOCK_FRAMES = 1 << 16
WORKERS = 2
SUMS_FILE = Path("renders") / "copies.json"

_TAPS_A_PHASE = 192  # the resampling filter reaches 96 samples of the slower rate either way
_KAISER_BETA = 12.0  # about -118 dB beyond the band edge
_BAND_EDGE = 0.958  # of the slower rate's half, where the filter is at half its height


@dataclass(frozen=True)
class Copies:
    """The copies of one render set: path and size by content hash, all at `sample_rate`."""

    paths: dict[str, Path]
    sizes: dict[str, int]
    sample_rate: int

    @staticmethod
    def at(paths: dict[str, Path], sample_rate: int) -> Copies:
        return Copies(paths, {key: path.stat().st_size for key, path in paths.items()}, sample_rate)


def page_rate(sample_rate: int) -> int:
    """The rate of a copy: the render's own up to 48 kHz, else 48 or 44.1 kHz."""
    if sample_rate <= HIGHEST_RATE:
        return sample_rate
    return 44100 if sample_rate % 44100 == 0 else HIGHEST_RATE


def flac_copies(folder: Path, manifest: Manifest) -> Copies:
    """FLAC copies of a set's renders in the study `folder`; what is there and whole is left alone.

    Raises:
        NotRenderedError: a render is missing or damaged; WriteError: a copy could not be written.
    """
    rate = page_rate(manifest.sample_rate)
    paths = {form.content_hash: (folder / form.wav).with_suffix(".flac") for form in manifest.forms}
    known = _known(folder / SUMS_FILE)

    def make(form: RenderedForm) -> tuple[str, str]:
        source, path = folder / form.wav, paths[form.content_hash]
        if path.is_file() and (there := file_sha256(path)) == known.get(path.name):
            return path.name, there
        _require_as_measured(source, form.sha256)
        with replacing(path, lasting=False) as half:
            write_24_bit(half, integers(source, rate), rate, manifest.channels, "FLAC")
        return path.name, file_sha256(path)

    with ThreadPoolExecutor(WORKERS) as pool:
        sums = dict(pool.map(make, manifest.forms))
    if not sums.items() <= known.items():
        write_beside(folder / SUMS_FILE, json.dumps(known | sums).encode())
    return Copies.at(paths, rate)


def _known(path: Path) -> dict[str, str]:
    """The SHA-256 of the copies that were made, by name; what is damaged is left out."""
    with suppress(OSError, ValueError, AttributeError):
        return {str(name): str(sha256) for name, sha256 in json.loads(path.read_text("utf-8")).items()}
    return {}


def opus_rate(sample_rate: int) -> int:
    """The rate of an Opus copy: the render's own where Opus knows it, else 48 kHz."""
    return sample_rate if sample_rate in OPUS_RATES else HIGHEST_RATE


def opus_copies(folder: Path, manifest: Manifest, into: Path) -> Copies:
    """Opus copies in the folder `into`, at the render's rate where Opus knows it, else at 48 kHz."""
    rate = opus_rate(manifest.sample_rate)
    paths = {}
    for form in manifest.forms:
        _require_as_measured(folder / form.wav, form.sha256)
        paths[form.content_hash] = path = into / Path(form.wav).with_suffix(".opus").name
        with replacing(path, lasting=False) as half:
            _write_opus(half, folder / form.wav, rate, manifest.channels)
    return Copies.at(paths, rate)


def _require_as_measured(path: Path, sha256: str) -> None:
    if not path.is_file() or wav_audio_sha256(path) != sha256:
        raise NotRenderedError(
            f"the render {path} is missing or not what was measured; delete it, run `fairhearing render`, "
            "then go on"
        )


def integers(path: Path, rate: int) -> Iterator[Int32]:
    """A render's audio as 24-bit integers at `rate` (upper bits of int32); its own ones at its own rate."""
    try:
        with soundfile.SoundFile(path) as file:
            if file.samplerate == rate:
                while len(block := file.read(BLOCK_FRAMES, dtype="int32", always_2d=True)):
                    yield block
                return
        scratch: Audio | None = None
        for block in resampled(path, rate):
            if scratch is None or len(scratch) < len(block):
                scratch = np.empty_like(block)
            yield to_int24(block, 1.0, scratch)
    except soundfile.LibsndfileError:
        raise NotRenderedError(
            f"the render {path} is missing or damaged; run `fairhearing render`, then go on"
        ) from None


def resampled(path: Path, rate: int) -> Iterator[Audio]:
    """A file's audio at another rate, in blocks of float32 (frames, channels), filtered with linear phase.

    Frame 0 stays where it was, and ceil(frames x rate / file's rate) frames come out.
    """
    from scipy.signal import oaconvolve, upfirdn

    with soundfile.SoundFile(path) as file:
        common = math.gcd(rate, file.samplerate)
        up, down = rate // common, file.samplerate // common
        taps = _taps(up, down)
        reach = -(-(len(taps) // 2) // up)  # source frames that a result depends on, either way
        step = max(BLOCK_FRAMES // down, 1) * down
        context = -(-reach // down) * down
        wanted = -(-file.frames * up // down)
        # `held` begins `context` frames before the block whose results are due
        held = np.zeros((context, file.channels), dtype=np.float32)
        made = 0
        while made < wanted:
            lacking = context + step + context - len(held)
            held = np.vstack([held, _read_filled(file, lacking)])
            if up == 1:  # by FFT: 14 ns a frame from 96 to 48 kHz instead of 174
                out = oaconvolve(held.astype(np.float64), taps[:, None], axes=0)[::down]
            else:
                out = upfirdn(taps, held, up, down, axis=0)
            first = (len(taps) // 2 + context * up) // down
            count = min(step * up // down, wanted - made)
            yield np.ascontiguousarray(out[first : first + count], dtype=np.float32)
            made += count
            held = held[step:]


def _read_filled(file: soundfile.SoundFile, frames: int) -> Audio:
    """The next frames of a file, with silence after its end."""
    block: Audio = file.read(frames, dtype="float32", always_2d=True)
    if len(block) == frames:
        return block
    return np.vstack([block, np.zeros((frames - len(block), file.channels), dtype=np.float32)])


def _taps(up: int, down: int) -> Audio:
    """A low-pass filter for the common rate, of a length that puts its middle on an output frame."""
    from scipy.signal import firwin

    slow = max(up, down)
    half = _TAPS_A_PHASE // 2 * slow
    half += -half % down
    taps = firwin(2 * half + 1, _BAND_EDGE / slow, window=("kaiser", _KAISER_BETA)) * up
    return np.asarray(taps, dtype=np.float32)


def _write_opus(path: Path, source: Path, rate: int, channels: int) -> None:
    try:
        with soundfile.SoundFile(
            path, "w", rate, channels, format="OGG", subtype="OPUS", compression_level=OPUS_COMPRESSION
        ) as file:
            for block in integers(source, rate):
                file.write(block)
    except soundfile.LibsndfileError as error:
        raise WriteError(f"Opus could not be written ({error}); make the packet without --small") from None
