"""What lies in renders: a WAV file's chunks, and whether a set is whole."""

from __future__ import annotations

from pathlib import Path

import soundfile

from render.audio.containers import wav_audio_sha256
from render.renders.manifest import Manifest


def chunks(path: Path) -> list[tuple[bytes, bytes]]:
    """[(id, content)] of a WAV file, refusing anything that is not in order."""
    data = path.read_bytes()
    assert data[:4] == b"RIFF" and data[8:12] == b"WAVE"
    assert int.from_bytes(data[4:8], "little") == len(data) - 8
    chunks, at = [], 12
    while at < len(data):
        length = int.from_bytes(data[at + 4 : at + 8], "little")
        assert at + 8 + length <= len(data)
        chunks.append((data[at : at + 4], data[at + 8 : at + 8 + length]))
        at += 8 + length + length % 2
    assert at == len(data)
    return chunks


def require_whole(folder: Path, manifest: Manifest) -> None:
    """Every render of a set is there, is what was measured, and has the set's size."""
    for form in manifest.forms:
        assert wav_audio_sha256(folder / form.wav) == form.sha256
        assert (folder / form.wav).stat().st_size == manifest.file_bytes
        assert soundfile.info(folder / form.wav).frames == form.frames
