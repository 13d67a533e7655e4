"""Rendering four forms of a 4-minute 48 kHz/24-bit stereo song, against two baselines in the same run.

    python -m tests.benchmarks.bench_render [minutes] [cpu]

(a) the straightforward pipeline (tests/benchmarks/straightforward.py);
(b) reading the source and writing the same WAV files with soundfile alone, as int32.
Also what a fifth form, one changed form, and nothing changed cost, and the commands' start-up. With "cpu"
on a machine that others use too, only the processor time of (a) and of rendering with and without five stems.
"""

from __future__ import annotations

import json
import platform
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import soundfile

from render.renders.render_forms import render_forms
from render.song.song import Song, load_song
from tests.benchmarks.straightforward import straightforward
from tests.songs import make_study

SECTIONS = {
    "intro": "1-8",
    "verse 1": "9-24",
    "refrain": {"bars": "25-40", "pickup": 1},
    "verse 2": "41-56",
    "bridge": "57-72",
    "last refrain": {"bars": "73-104", "pickup": 1},
    "outro": "105-120",
}
FORMS = {
    "refrain first": ["refrain", "verse 1", "refrain", "verse 2", "bridge", "last refrain", "outro"],
    "early bridge": [
        "intro",
        "verse 1",
        "bridge",
        "refrain",
        "verse 2",
        "silence 1 bar",
        "last refrain",
        "outro",
    ],
    "no intro": ["verse 1", "refrain", "verse 2", "bridge", "last refrain x2"],
}
STEMS = ("drums", "bass", "keys", "guitar", "voice")
FIFTH = {"short end": ["intro", "verse 1", "refrain", "verse 2", "bridge", "last refrain bars 1-16", "outro"]}
CHANGED = FORMS | {  # one that does not set the target: all others stay as they are
    "early bridge": ["intro", "verse 1", "bridge", "refrain", "verse 2", "last refrain", "outro"]
}


def timed(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def copy_alone(song: Song, frames: list[int], folder: Path) -> float:
    """(b) The source read and files of the same lengths written, as int32; seconds."""
    rate = song.audio.sample_rate

    def work() -> None:
        source, _ = soundfile.read(song.audio.path, dtype="int32")
        for number, length in enumerate(frames):
            whole = source[:length] if length <= len(source) else np.resize(source, (length, 2))
            soundfile.write(folder / f"copy {number}.wav", whole, rate, subtype="PCM_24")

    return timed(work)


def study(folder: Path, minutes: float, forms: dict[str, list[str]], stems: Sequence[str] = ()) -> Song:
    bars = round(minutes * 30)
    sections = {n: s for n, s in SECTIONS.items() if _last_bar(s) <= bars}
    make_study(folder, bars=bars, tempo=120, sections=sections, forms=forms, stems=stems)
    return load_song(folder)


def _last_bar(section: object) -> int:
    bars = section["bars"] if isinstance(section, dict) else str(section)
    return int(str(bars).split("-")[1])


def rewrite_forms(folder: Path, forms: dict[str, list[str]]) -> Song:
    """Other forms in song.toml; the audio stays."""
    text = (folder / "song.toml").read_text(encoding="utf-8")
    head, _, tail = text.partition("[forms]")
    rest = tail[tail.index("\n[") :]
    lines = "\n".join(f"{json.dumps(name)} = {json.dumps(parts)}" for name, parts in forms.items())
    (folder / "song.toml").write_text(f"{head}[forms]\n{lines}\n{rest}", encoding="utf-8")
    return load_song(folder)


def start_up(arguments: list[str], folder: Path, runs: int = 5) -> float:
    """Seconds of the quickest of some runs of `python ARGUMENTS`."""

    def once() -> None:
        subprocess.run([sys.executable, *arguments], cwd=folder, capture_output=True, check=True)

    return min(timed(once) for _ in range(runs))


def cpu_only(minutes: float) -> None:
    """Seconds of processor time of all threads; the lesser of two runs."""

    def lesser(work: Callable[[], object]) -> float:
        taken_s = []
        for _ in range(2):
            start = time.process_time()
            work()
            taken_s.append(time.process_time() - start)
        return min(taken_s)

    def anew(song: Song) -> None:
        shutil.rmtree(song.folder / "renders", ignore_errors=True)
        render_forms(song)

    with tempfile.TemporaryDirectory() as place:
        alone = study(Path(place) / "alone", minutes, FORMS)
        with_stems = study(Path(place) / "stems", minutes, FORMS, STEMS)
        slow = lesser(lambda: straightforward(replace(alone, joining=1), Path(place)))
        ours = {"without stems": lesser(lambda: anew(alone)), "five stems": lesser(lambda: anew(with_stems))}
    print(
        f"processor time, four forms of {minutes:g} min, 48 kHz/24 bit stereo: straightforward {slow:.2f} s"
    )
    for what, taken_s in ours.items():
        print(f"  {what}: {taken_s:.2f} s, {slow / taken_s:.1f}x less")


def main() -> None:
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 4.0
    if "cpu" in sys.argv[2:]:
        cpu_only(minutes)
        return
    with tempfile.TemporaryDirectory() as place:
        folder, scratch = Path(place) / "study", Path(place) / "scratch"
        scratch.mkdir()
        song = study(folder, minutes, FORMS)
        ours, copies = [], []
        for _ in range(3):  # the first run also fills the disk cache, for both
            shutil.rmtree(folder / "renders", ignore_errors=True)
            ours.append(timed(lambda: render_forms(song)))
            frames = [form.frames for form in render_forms(song).forms]
            copies.append(copy_alone(song, frames, scratch))
        nothing = timed(lambda: render_forms(load_song(folder)))
        fifth, changed, one_copy = [], [], []
        for _ in range(3):
            fifth.append(timed(lambda: render_forms(rewrite_forms(folder, FORMS | FIFTH))))
            one_copy.append(copy_alone(song, frames[-1:], scratch))
            render_forms(rewrite_forms(folder, FORMS))
            changed.append(timed(lambda: render_forms(rewrite_forms(folder, CHANGED))))
            render_forms(rewrite_forms(folder, FORMS))
        slow = timed(lambda: straightforward(replace(song, joining=1), scratch))
        click = start_up(["-c", "import click"], folder)
        helped = start_up(["-m", "listening.cli", "--help"], folder)
        status = start_up(["-m", "listening.cli", "status"], folder)
    best, copy, one = min(ours), min(copies), min(one_copy)
    print(f"{platform.platform()}, Python {platform.python_version()}, {minutes:g} min, 48 kHz/24 bit stereo")
    print(f"four forms (as written and three): {best:.2f} s; measured again as they lie on the disk")
    print(f"  (a) straightforward pipeline {slow:.2f} s: {slow / best:.1f}x faster (10x asked)")
    print(f"  (b) reading and writing alone {copy:.2f} s: {best / copy:.2f}x of it (1.5x asked)")
    print(f"a fifth form: {min(fifth):.2f} s, {min(fifth) / one:.2f}x of reading and writing it (1.3x asked)")
    print(f"one changed form: {min(changed):.2f} s, {min(changed) / one:.2f}x of that")
    print(f"nothing changed: {nothing * 1000:.0f} ms")
    print(
        f"start-up against `import click` ({click * 1000:.0f} ms): --help {helped / click:.1f}x, "
        f"status {status / click:.1f}x"
    )


if __name__ == "__main__":
    main()
