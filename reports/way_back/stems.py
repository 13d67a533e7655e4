"""The song's stems in the order of a form: one file each, which add up to the form as rendered."""

from __future__ import annotations

import shutil
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import soundfile

from render.arrays import Audio
from render.audio.splice import Splicer
from render.audio.stem_fit import check_stems
from render.audio.stems import Mixes
from render.audio.timeline import Timeline, lay_out
from render.errors import AudioError, WriteError
from render.files import replacing, writing_into
from render.renders.manifest import Manifest
from render.song.forms import Form, Treatment
from render.song.song import Song
from render.steps import Step
from reports.files import file_name
from reports.way_back.markers import lead_of_renders_frames

STEMS = "stems"
BLOCK_FRAMES = 1 << 18
INTEGER_BITS = {"PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
BYTES = {"PCM_16": 2, "PCM_24": 3, "PCM_32": 4, "FLOAT": 4, "DOUBLE": 8}
LARGEST_WAV_BYTES = 4_000_000_000


@dataclass(frozen=True)
class FormStems:
    """The files that were written, and how well they add up to the form before its gain: RMS of what is left
    over, relative to the form (dB). `gain_db` is the one that the form's render was matched by."""

    paths: tuple[Path, ...]
    residual_db: float
    bytes: int
    gain_db: float


class StemSource:
    """One stem as a source of samples: silent where a treatment leaves it out."""

    def __init__(self, name: str, path: Path) -> None:
        self.name = name
        self.file = soundfile.SoundFile(path)
        self.frames, self.channels = self.file.frames, self.file.channels
        self.sample_rate = self.file.samplerate
        self.subtype = self.file.subtype if self.file.subtype in BYTES else "PCM_24"

    def read(self, treatment: Treatment, start: int, stop: int) -> Audio:
        """Frames [start, stop): (frames, channels) float32, at unity gain."""
        if not treatment.plays(self.name):
            return np.zeros((stop - start, self.channels), np.float32)
        self.file.seek(start)
        block: Audio = self.file.read(stop - start, dtype="float32", always_2d=True)
        if len(block) < stop - start:
            raise AudioError(f"{self.file.name} cannot be decoded to its end; export it again")
        return block

    decay_s = None  # it is joined as the mix is

    def apart(self, treatment: Treatment, start: int, stop: int) -> list[Audio]:
        """The same, alone in a list: a stem is no sum of others."""
        return [self.read(treatment, start, stop)]


def stems_bytes(song: Song, form: Form) -> int:
    """How much room the stems of a form take; 0 for a song without stems."""
    frames = lead_of_renders_frames(song, form) + lay_out(song, form).stop
    total = 0
    for path in song.stems.values():
        with soundfile.SoundFile(path) as file:
            total += frames * file.channels * BYTES.get(file.subtype, 3)
    return total


def write_stems(song: Song, form: Form, manifest: Manifest, folder: Path, step: Step) -> FormStems | None:
    """Write every stem through the form's own timeline into `folder`/stems; None for a song without stems.

    All have one length and begin with the form's render; at each join the bounce's own gains hold. The sample
    format is the stem's, or floating point where a join would go over full scale.

    Raises:
        WriteError: no room, or no rights; AudioError: a stem cannot be used.
    """
    if not song.stems:
        return None
    song = replace(song, joining=manifest.joining)
    check_stems(song.stems, song.audio)
    _require_room(stems_bytes(song, form), folder)
    timeline, lead = lay_out(song, form), lead_of_renders_frames(song, form)
    target = folder / STEMS
    with ExitStack() as opened, writing_into(target):
        mixes = opened.enter_context(Mixes(song, None, manifest.stem_fit))
        mix = Splicer(timeline, mixes, lead)
        sources = [StemSource(name, path) for name, path in song.stems.items()]
        writers = []
        for source in sources:
            opened.callback(source.file.close)
            path = target / f"{file_name(source.name)}.wav"
            half = opened.enter_context(replacing(path, lasting=False))
            writers.append(_Writer(Splicer(timeline, source, lead, like=mix), source, half, path))
            opened.callback(writers[-1].file.close)
        try:
            residual_db = _write(mix, writers, timeline, lead, step)
        except (soundfile.LibsndfileError, AssertionError):  # soundfile asserts that all frames were written
            raise OSError(28, "the disk did not take the whole file (is it full?)") from None
    paths = tuple(writer.path for writer in writers)
    gain_db = next(render.gain_db for render in manifest.forms if render.name == form.name)
    return FormStems(paths, residual_db, sum(path.stat().st_size for path in paths), gain_db)


def _require_room(needed: int, folder: Path) -> None:
    at = next(path for path in (folder, *folder.parents) if path.is_dir())
    free = shutil.disk_usage(at).free
    if needed > free:
        raise WriteError(
            f"the stems need {needed / 1e6:.0f} MB, and {at} has {free / 1e6:.0f} MB free; make room, or "
            "decide with --no-stems"
        )


class _Writer:
    """One stem's file, block by block, in the stem's own sample format."""

    def __init__(self, splicer: Splicer, source: StemSource, half: Path, path: Path) -> None:
        self.splicer, self.path = splicer, path
        over = any(np.abs(patch.samples).max(initial=0.0) >= 1 for patch in splicer.patches)
        subtype = "FLOAT" if over and source.subtype in INTEGER_BITS else source.subtype
        self.bits = INTEGER_BITS.get(subtype)
        size = splicer.frames * source.channels * BYTES[subtype]
        kind = "WAV" if size < LARGEST_WAV_BYTES else "RF64"
        self.file = soundfile.SoundFile(
            half, "w", source.sample_rate, source.channels, subtype=subtype, format=kind
        )

    def write(self, start: int, stop: int) -> Audio:
        """Write frames [start, stop), and give them back as they are in the file.

        Integers are made here, by the scale that they are read by: libsndfile writes by another.
        """
        block = self.splicer.read(start, stop)
        if self.bits is None:
            self.file.write(block)
            return block
        scale = float(1 << (self.bits - 1))
        whole = np.clip(np.rint(block.astype(np.float64) * scale), -scale, scale - 1)
        self.file.write((whole.astype(np.int64) << (32 - self.bits)).astype(np.int32))
        return (whole / scale).astype(np.float32)


def _write(mix: Splicer, writers: list[_Writer], timeline: Timeline, lead: int, step: Step) -> float:
    """Write all stems side by side; returns what their sum leaves of the form, dB."""
    left, power = 0.0, 0.0
    frames = lead + timeline.stop
    for start in range(-lead, timeline.stop, BLOCK_FRAMES):
        stop = min(start + BLOCK_FRAMES, timeline.stop)
        form = mix.read(start, stop).astype(np.float64)
        total = np.zeros_like(form)
        for writer in writers:
            total += writer.write(start, stop)
        left += float(np.sum((form - total) ** 2))
        power += float(np.sum(form**2))
        step("writing the stems", stop + lead, frames)
    return 10 * float(np.log10(max(left, 1e-30) / max(power, 1e-30)))


def stems_line(stems: FormStems) -> str:
    """What to tell about them."""
    return (
        f"Its stems, all of one length and beginning together ({stems.bytes / 1e6:.0f} MB), add up to "
        f"the form before its gain: what is left over lies {-stems.residual_db:.0f} dB below it"
        + (f"; the form's WAV plays {-stems.gain_db:.2f} dB lower." if stems.gain_db <= -0.005 else ".")
    )
