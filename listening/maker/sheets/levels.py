"""Level drawings: a small picture of how loud a section is, bar by bar."""

from __future__ import annotations

import numpy as np
import soundfile

from listening.maker.workspace import Workspace
from render.arrays import Floats
from render.song.forms import Section
from render.song.song import Song
from render.steps import Step

HOP_S = 0.1
FLOOR_DB = -40.0  # below the song's loudest tenth of a second: the drawing's lower edge
WIDTH, HEIGHT = 120, 24
POINTS = 60


def levels_key(song: Song) -> tuple[object, ...]:
    """What the levels were measured on."""
    return ("levels", song.audio.path, song.audio.path.stat().st_mtime_ns)


def measure_levels(work: Workspace, song: Song, step: Step) -> None:
    """RMS of every tenth of a second of the bounce, (hops,), kept in the workspace."""
    rate = song.audio.sample_rate
    hop = round(HOP_S * rate)
    levels: list[Floats] = []
    with soundfile.SoundFile(song.audio.path) as file:
        blocks = file.blocks(hop * 100, dtype="float32", always_2d=True)
        of = -(-song.audio.frames // (hop * 100))
        for number, block in enumerate(blocks, start=1):
            step("drawing the levels", number, of)
            power = np.square(block, dtype=np.float32).mean(axis=1)
            edges = np.arange(0, len(power), hop)
            sums = np.add.reduceat(power, edges).astype(np.float64)
            levels.append(np.sqrt(sums / np.diff(np.append(edges, len(power)))))
    work.cache[levels_key(song)] = np.concatenate(levels) if levels else np.zeros(0)


def drawing(work: Workspace, song: Song, section: Section) -> str:
    """Points of a polyline for the section's level, or "" where the levels are not measured yet."""
    levels = work.cache.get(levels_key(song))
    if levels is None:
        return ""
    first = int(float(song.grid.line_s(section.first_bar)) / HOP_S)
    last = max(int(float(song.grid.line_s(section.last_bar + 1)) / HOP_S), first + 1)
    own = levels[first:last]
    if not len(own):
        return ""
    at = np.linspace(0, len(own), min(POINTS, len(own)), endpoint=False).astype(int)
    rms = np.maximum.reduceat(own, at)
    loudest = max(float(levels.max(initial=0.0)), 1e-9)
    db = np.maximum(20 * np.log10(np.maximum(rms, 1e-9) / loudest), FLOOR_DB)
    y = HEIGHT * db / FLOOR_DB
    x = np.linspace(0, WIDTH, len(y))
    return " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x, y, strict=True))
