"""Small studies for tests: an invented song whose bars can be told apart, its song.toml, its stems.

    folder = make_study(tmp_path)  # 12 bars of 2 s, two forms beside "as written"
    folder = make_study(tmp_path, stems=("drums", "voice"), forms={"a": ["verse without voice", "outro"]})
    folder = make_study(tmp_path, audio=samples, rate=44100, sections={"all": "1-8"})

Every bar is noise of its own plus a tone of its own, louder in the refrain; all samples lie on the 24-bit
grid, and stems add up to the bounce exactly unless `stems_gain` says otherwise.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from render.song.song import Song, load_song

Audio = NDArray[np.float32]

SECTIONS: Mapping[str, Any] = {
    "intro": "1-2",
    "verse": "3-6",
    "refrain": {"bars": "7-10", "pickup": 1},
    "outro": "11-12",
}
FORMS: Mapping[str, Any] = {
    "refrain first": ["refrain", "verse", "outro"],
    "twice": ["intro", "verse bars 1-2", "refrain x2", "silence 1 bar", "outro"],
}
LISTENERS: Mapping[str, Any] = {"ana": {"prior_listens": 20}, "bo": {}}
LEVELS = (0.03, 0.03, 0.06, 0.06, 0.06, 0.06, 0.15, 0.15, 0.15, 0.15, 0.05, 0.05)  # by bar, again and again


def make_study(
    folder: Path,
    *,
    audio: Audio | None = None,
    rate: int = 48000,
    channels: int = 2,
    subtype: str = "PCM_24",
    tempo: float = 120,
    meter: str = "4/4",
    start: float = 0.25,
    bars: int = 12,
    tail_s: float = 0.5,
    gain: float = 1.0,
    seed: int = 1,
    sections: Mapping[str, Any] = SECTIONS,
    forms: Mapping[str, Any] = FORMS,
    listeners: Mapping[str, Any] = LISTENERS,
    stems: Sequence[str] = (),
    stems_gain: float = 1.0,
    song: Mapping[str, Any] | None = None,
    **tables: Mapping[str, Any],
) -> Path:
    """Write a study into `folder` (made if missing) and return it.

    `audio` (frames, channels) replaces the invented song. `song` adds keys to [song] (`changes`, `bars`),
    other keywords are further tables (`render={"matching": "same gain"}`, `plan={"rounds": 4}`). A section
    is its bars or a table; a form its parts or a table. Stems are written at `stems_gain` times what adds up.
    """
    folder.mkdir(parents=True, exist_ok=True)
    if audio is None:
        bar_s = _bar_s(tempo, meter)
        audio = gain * invented_song(rate, channels, bar_s, start, bars, tail_s, seed)
    audio = on_24_bit_grid(audio)
    soundfile.write(folder / "song.wav", audio, rate, subtype=subtype)
    for name, stem in _split(audio, stems, seed).items():
        (folder / "stems").mkdir(exist_ok=True)
        soundfile.write(folder / "stems" / f"{name}.wav", stems_gain * stem, rate, subtype=subtype)
    head = {"title": "Invented", "audio": "song.wav", "tempo": tempo, "meter": meter, "start": start}
    document: dict[str, Mapping[str, Any]] = {
        "song": head | dict(song or {}),
        "stems": {name: f"stems/{name}.wav" for name in stems},
        "sections": {n: s if isinstance(s, Mapping) else {"bars": s} for n, s in sections.items()},
        "forms": forms,
        "listeners": listeners,
        **tables,
    }
    (folder / "song.toml").write_text(toml_text(document), encoding="utf-8")
    return folder


def make_song(folder: Path, **options: Any) -> Song:
    """The Song of a study made by `make_study`."""
    return load_song(make_study(folder, **options))


@lru_cache(maxsize=8)
def invented_song(
    rate: int, channels: int, bar_s: float, start: float, bars: int, tail_s: float, seed: int = 1
) -> Audio:
    """(frames, channels): bars of noise and tone, a lead-in of `start` and a tail of `tail_s` seconds."""
    rng = np.random.default_rng(seed)
    frames = round((start + bars * bar_s + tail_s) * rate)
    noise = rng.standard_normal((frames, channels), dtype=np.float32)
    time_s = np.arange(frames) / rate
    bar = np.clip(((time_s - start) // bar_s).astype(int), 0, bars - 1)
    tone = np.sin(2 * np.pi * 220.0 * 2 ** (bar % 12 / 12) * time_s).astype(np.float32)
    level = np.array(LEVELS, np.float32)[bar % len(LEVELS)]
    level[time_s >= start + bars * bar_s] *= 0.2  # the tail is a faint rest
    song: Audio = level[:, None] * (0.7 * noise + tone[:, None])
    song.setflags(write=False)  # it is shared
    return song


def on_24_bit_grid(audio: Audio) -> Audio:
    """The nearest samples that 24 bit hold exactly (no limit at full scale)."""
    rounded: Audio = (np.rint(audio.astype(np.float64) * (1 << 23)) / (1 << 23)).astype(np.float32)
    return rounded


def toml_text(document: Mapping[str, Mapping[str, Any]]) -> str:
    """A TOML document of tables."""
    lines = []
    for table, keys in document.items():
        lines += [f"[{table}]", *(f"{json.dumps(key)} = {_toml_value(v)}" for key, v in keys.items()), ""]
    return "\n".join(lines)


def _toml_value(value: Any) -> str:
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{json.dumps(k)} = {_toml_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(_toml_value, value)) + "]"
    return json.dumps(value, ensure_ascii=False)


def _bar_s(tempo: float, meter: str) -> float:
    beats, unit = map(int, meter.split("/"))
    return beats * 60 / tempo * 4 / unit


def _split(audio: Audio, names: Sequence[str], seed: int) -> dict[str, Audio]:
    """Stems that add up to `audio` exactly: all but the last are noise at a tenth of it."""
    rng = np.random.default_rng(seed + 1000)
    rest, stems = audio, {}
    for name in names[:-1]:
        share = rng.standard_normal(audio.shape, dtype=np.float32) * 0.1 * np.abs(audio)
        stems[name] = on_24_bit_grid(share)
        rest = rest - stems[name]
    if names:
        stems[names[-1]] = rest
    return stems
