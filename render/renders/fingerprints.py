"""Fingerprints of files (size, mtime, SHA-256) and content hashes of forms."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from render.audio.stem_fit import StemFit
from render.audio.timeline import Timeline, content_hash, lay_out
from render.errors import RenderError
from render.files import file_sha256
from render.renders.manifest import Fingerprint, Manifest
from render.song.forms import Treatment
from render.song.song import Song


def fingerprint(path: Path, folder: Path, before: Fingerprint | None) -> Fingerprint:
    """A file's fingerprint; its content is read only if size or time changed since `before`."""
    if before and is_unchanged(path, folder, before):
        return before
    name, size, mtime_ns = _signs(path, folder)
    return Fingerprint(name=name, bytes=size, mtime_ns=mtime_ns, sha256=file_sha256(path))


def is_unchanged(path: Path, folder: Path, before: Fingerprint) -> bool:
    """Whether a file has the name, the size and the time of its fingerprint."""
    return (before.name, before.bytes, before.mtime_ns) == _signs(path, folder)


def _signs(path: Path, folder: Path) -> tuple[str, int, int]:
    stat = path.stat()
    name = path.relative_to(folder).as_posix() if path.is_relative_to(folder) else str(path)
    return name, stat.st_size, stat.st_mtime_ns


def form_hashes(song: Song, manifest: Manifest) -> dict[str, str]:
    """name -> content hash of the song's forms as song.toml has them now, on the audio of `manifest`."""
    song = replace(song, joining=manifest.joining)
    timelines = [lay_out(song, form) for form in song.forms]
    return hash_forms(timelines, manifest.audio, manifest.stems, manifest.stem_fit)


def hash_forms(
    timelines: list[Timeline], audio: Fingerprint, stems: Mapping[str, Fingerprint], fit: StemFit | None
) -> dict[str, str]:
    """name -> content hash of each form.

    Raises:
        RenderError: two forms are the same to the sample: they would be compared with themselves.
    """
    hashes: dict[str, str] = {}
    for timeline in timelines:
        treatments = {str(s.treatment): _made_of(s.treatment, stems, fit) for s in timeline.spans}
        name, form_hash = timeline.form.name, content_hash(timeline, audio.sha256, treatments, sums(stems))
        for other, other_hash in hashes.items():
            if other_hash == form_hash:
                raise RenderError(
                    f'forms."{name}" is the same as "{other}", to the sample; change it or take it out'
                )
        hashes[name] = form_hash
    return hashes


def sums(stems: Mapping[str, Fingerprint]) -> tuple[tuple[str, str], ...]:
    return tuple(sorted((name, stem.sha256) for name, stem in stems.items()))


def _made_of(treatment: Treatment, stems: Mapping[str, Fingerprint], fit: StemFit | None) -> str:
    """What a treatment's samples depend on beside the bounce."""
    if treatment.mode == "all":
        return ""
    how = "from the bounce" if fit is None or fit.nulls else f"stems x {fit.gain!r}"
    return f"{treatment}; {how}; {sums(stems)}"
