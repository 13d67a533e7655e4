"""How good a start is: tempo, sections, stems, joins, on songs whose answers are known.

    python -m tests.benchmarks.bench_good_start [tempo fit odd stems joins hopeless speed]

Prints Markdown tables; RESULTS_good_start.md keeps a run of it. Times are ratios to the song's length.
The eight songs of tests/invented_songs.py were at hand while settings were chosen; the `held out` songs
(random plans by seed) and the demo song's sections were not used to choose any.
"""

from __future__ import annotations

import sys
import tempfile
import time
from fractions import Fraction
from pathlib import Path

import numpy as np
import soundfile

from listening.demo.song import FULL, write_song
from render.analysis import stem_search
from render.analysis.onsets import onsets
from render.analysis.sections import sections
from render.audio.splice import Splicer
from render.audio.stems import Mixes, fit_stems, read_audio
from render.audio.timeline import lay_out
from render.beat.fit import fit_beat
from render.beat.meter_changes import odd_bars
from render.beat.tempo_estimate import estimate
from render.joins import judging
from render.proposals import new_song
from render.song.audio_header import audio_info
from render.song.grid import Grid, Meter, exact
from render.song.song import song_from_text
from tests.invented_songs import PATTERNS, SONGS, InventedSong, Passage, ambient, clicks, play

RATE = 22050
CHORDS = ("C", "Dm", "Em", "F", "G", "Am", "Bb", "D", "E", "A", "Bm", "F#m")


def held_out(seed: int) -> InventedSong:
    """A random song: 3 to 5 kinds of section, usual lengths, any tempo from 65 to 180."""
    rng = np.random.default_rng([2024, seed])
    kinds = {
        name: {
            "bars": int(rng.choice([4, 8, 8, 8, 12, 16] if name not in "IO" else [2, 4, 4, 8])),
            "chords": " ".join(rng.choice(CHORDS, int(rng.choice([2, 4, 4, 8])))),
            "drums": str(rng.choice([p for p in PATTERNS if p not in ("waltz", "six")])),
            "keys": str(rng.choice(["pluck", "pad", "piano"])),
            "lead": int(rng.integers(100, 10000)) if rng.random() < 0.8 else None,
            "gain_db": float(rng.uniform(-5, 2)),
        }
        for name in "IVRBO"
    }
    order = str(rng.choice(["IVRVRBRO", "VRVRBRR", "IVVRVRBR", "IRVRVBRO", "VRVRO", "IVRBVRO"]))
    passages = tuple(Passage(name, **kinds[name]) for name in order)  # type: ignore[arg-type]
    tempo = round(float(rng.uniform(65, 180)), 1)
    return InventedSong(f"held out {seed}", tempo, passages, start_s=round(float(rng.uniform(0.1, 2)), 3))


def backbeat(tempo: float) -> InventedSong:
    half = round(180 * tempo / 240 / 2)
    passages = (
        Passage("a", half, "C G Am F", "rock", "pluck", 1),
        Passage("b", half, "F C", "four", "piano"),
    )
    return InventedSong("tempo", tempo, passages)


def grid_of(song: InventedSong, tempo: float | None = None, start_s: float | None = None) -> Grid:
    meter = Meter(*map(int, song.meter.split("/")))
    start = song.start_s if start_s is None else start_s
    return Grid(RATE, exact(round(start, 6)), exact(round(tempo or song.tempo, 6)), meter)


def table(head: str, rows: list[tuple[object, ...]]) -> None:
    names = head.split("|")
    print(f"\n| {' | '.join(names)} |\n|{'---|' * len(names)}")
    for row in rows:
        print(f"| {' | '.join(f'{c:.3g}' if isinstance(c, float) else str(c) for c in row)} |")


def bench_tempo() -> None:
    print("\n## Tempo and start, not given")
    tempos = [*range(60, 201, 10), 62.3, 87.77, 113.13, 141.9, 178.25]
    rows: list[tuple[object, ...]] = []
    for kind in ("clicks, 3 min", "band, 3 min"):
        errors, octaves, starts = [], 0, []
        for tempo in tempos:
            song = backbeat(tempo)
            sound = clicks(tempo, 180, RATE, song.start_s) if kind[0] == "c" else play(song, RATE)
            estimated = estimate(sound, RATE)
            ratio = estimated.tempo / tempo
            near = min((1.0, 2.0, 0.5), key=lambda r: abs(ratio - r))
            octaves += near != 1.0
            errors.append(abs(estimated.tempo / near - tempo))
            starts.append(abs(estimated.start_s - song.start_s) * 1000)
        rows.append((kind, len(tempos), max(errors), octaves, float(np.median(starts)), max(starts)))
    songs = [*SONGS, *(held_out(seed) for seed in range(20))]
    for kind, some in (("the eight songs", songs[:8]), ("held out", songs[8:])):
        errors, octaves, starts = [], 0, []
        for song in some:
            estimated = estimate(play(song, RATE), RATE, grid_of(song).meter)
            near = min((1.0, 2.0, 0.5), key=lambda r: abs(estimated.tempo / song.tempo - r))
            octaves += near != 1.0
            errors.append(abs(estimated.tempo / near - song.tempo))
            off = (estimated.start_s - song.start_s + song.bar_s / 2) % song.bar_s - song.bar_s / 2
            starts.append(abs(off) * 1000)
        rows.append((kind, len(some), max(errors), octaves, float(np.median(starts)), max(starts)))
    table("material|n|largest error, BPM|half or double|start off, median ms|start off, largest ms", rows)


def bench_fit() -> None:
    print("\n## What the tempo check notices (the eight songs)")
    rows: list[tuple[object, ...]] = []
    sounds = [(song, play(song, RATE)) for song in SONGS]
    for error in (0.0, 0.02, 0.05, 0.1, 0.5, 2.0):
        fits = [fit_beat(sound, RATE, grid_of(song, song.tempo + error)) for song, sound in sounds]
        named = [f.better_tempo for f in fits]
        right = sum(
            n is not None and abs(n - s.tempo) < 0.05 for n, (s, _) in zip(named, sounds, strict=True)
        )
        rows.append((f"tempo {error:+g}", sum(n is not None for n in named), right))
    for shift_ms in (10, 20, 30, 45):
        fits = [fit_beat(x, RATE, grid_of(s, start_s=s.start_s + shift_ms / 1000)) for s, x in sounds]
        right = sum(f.better_start_s is not None and abs(f.offset_ms + shift_ms) < 4 for f in fits)
        rows.append((f"start {shift_ms:+d} ms", sum(f.better_start_s is not None for f in fits), right))
    fits = [fit_beat(x, RATE, grid_of(s, start_s=s.start_s + s.beat_s)) for s, x in sounds]
    named = [f.better_downbeat_beats for f in fits]
    right = sum(n == s.beats - 1 for n, (s, _) in zip(named, sounds, strict=True))
    rows.append(("start one beat late", sum(n is not None for n in named), right))
    for ratio in (2.0, 0.5):
        fits = [fit_beat(x, RATE, grid_of(s, s.tempo * ratio)) for s, x in sounds]
        named = [f.counted for f in fits]
        right = sum(n is not None and abs(n - s.tempo) < 0.1 for n, (s, _) in zip(named, sounds, strict=True))
        rows.append((f"tempo x {ratio:g}", sum(n is not None for n in named), right))
    table("what is wrong|named, of 8|rightly, of 8", rows)


def bench_odd() -> None:
    print("\n## Bars of another length, not written down")
    songs = [*SONGS, *(held_out(seed) for seed in range(20))]
    rng = np.random.default_rng(11)
    rows: list[tuple[object, ...]] = []
    for kind, some in (("the eight songs", songs[:8]), ("held out", songs[8:])):
        alarms = exact_bar = near = 0
        for song in some:
            sound, grid = play(song, RATE), grid_of(song)
            alarms += bool(odd_bars(sound, RATE, onsets(sound, RATE), grid, song.bars).bars)
            bar, beats = int(rng.integers(8, song.bars - 8)), int(rng.integers(1, song.beats))
            stop = grid.line_frame(bar + 1)
            cut = np.concatenate([sound[: grid.before_line_frame(bar + 1, Fraction(beats))], sound[stop:]])
            bars = odd_bars(cut, RATE, onsets(cut, RATE), grid, song.bars - 1).bars
            exact_bar += bars == ((bar, song.beats - beats),)
            near += len(bars) == 1 and abs(bars[0][0] - bar) <= 4 and bars[0][1] == song.beats - beats
        rows.append((kind, len(some), alarms, exact_bar, near))
    table("songs|n|false alarms|a shortened bar found exactly|within 4 bars", rows)


def bench_stems(folder: Path) -> None:
    print("\n## Stems of the demo song, each moved alone")
    paths = write_song(folder)
    bounce = read_audio(paths["bounce"])
    rng = np.random.default_rng(5)
    rows: list[tuple[object, ...]] = []
    for name in [n for n in paths if n != "bounce"]:
        sound, rate = soundfile.read(paths[name], dtype="int32", always_2d=True)
        shifts, right = [0, 1, -1, *map(int, rng.integers(-96000, 96000, 5))], 0
        for shift in shifts:
            moved = np.zeros_like(sound)
            moved[max(shift, 0) : len(sound) + min(shift, 0)] = sound[
                max(-shift, 0) : len(sound) - max(shift, 0)
            ]
            path = folder / "moved.wav"
            soundfile.write(path, moved, rate, subtype="PCM_24")
            right += stem_search.find_offset(path, audio_info(path), bounce) == shift
        rows.append((name, len(shifts), right))
    table("stem|shifts|exact to the frame", rows)


TOML = """[song]
title = "Demo"
audio = "{audio}"
tempo = {tempo}
start = {start}
changes = [{changes}]
[sections]
{sections}
[forms]
{forms}
"""


def bench_joins(folder: Path) -> None:
    print("\n## Joins of the demo song")
    paths = write_song(folder)
    pickups = {section.name: section.pickup_beats for section in FULL.sections}
    names, grid = list(pickups), FULL.grid(48000)
    forms = [f'"{a} > {b}" = ["{a}", "{b}"]' for a in names for b in names if a != b]
    rows: list[tuple[object, ...]] = []
    for declared in (True, False):
        listed = "\n".join(
            f'"{s.name}" = {{ bars = "{s.bars_text}", pickup = {s.pickup_beats if declared else 0} }}'
            for s in FULL.sections
        )
        text = TOML.format(
            audio=paths["bounce"].name, tempo=float(grid.tempo), start=float(grid.start_s), sections=listed,
            changes=", ".join(f'{{ bar = {c.bar}, meter = "{c.meter}" }}' for c in grid.changes),
            forms="\n".join(forms),
        )  # fmt: skip
        song = song_from_text(text, folder)
        bounce = read_audio(song.audio.path)
        found, spent_s = [], 0.0
        for form in song.forms[1:]:
            timeline = lay_out(song, form)
            splicer = Splicer(timeline, Mixes(song, bounce, None), max(song.lead_in_frames, -timeline.start))
            began = time.perf_counter()
            findings = judging.examine(song, timeline, splicer)
            spent_s += (time.perf_counter() - began) / max(len(findings), 1)
            found += [f for f in findings if f.before != "the top" and f.after != "the end"]
        with_pickup = [f for f in found if pickups[f.after]]
        others = [f for f in found if not pickups[f.after]]
        rows.append((
            "declared" if declared else "left out", len(found), sum(f.doubtful for f in found),
            f"{sum(f.pickup_forgotten is not None for f in with_pickup)} of {len(with_pickup)}",
            f"{sum(f.pickup_forgotten is not None for f in others)} of {len(others)}",
            sum(f.held_sound for f in found), sum(f.cut_transient for f in found),
            f"{1000 * spent_s / len(song.forms[1:]):.1f} ms",
        ))  # fmt: skip
    table(
        "pickups|joins|doubtful|called forgotten where one is|where none is|held|cut attacks|a join takes",
        rows,
    )


def bench_hopeless() -> None:
    print("\n## Where it should fail, and what it says")
    rng = np.random.default_rng(0)
    sway = np.cumsum(rng.normal(0, 0.06, 1000))
    tempos = 70 * np.exp(0.25 * np.sin(sway) + rng.normal(0, 0.06, 1000))
    ballad, band = SONGS[1], SONGS[0]
    pads = InventedSong("pads", 90.0, tuple(
        Passage(n, 8, c, "none", "pad", None, 0, False)
        for n, c in (("a", "C Am"), ("b", "F G"), ("a", "C Am"))
    ))  # fmt: skip
    loop = InventedSong("loop", 110.0, (Passage("loop", 32, "C G Am F"),))
    through = InventedSong("through-composed", 100.0, tuple(
        Passage(f"p{i}", 6, " ".join(rng.choice(CHORDS, 6)), "soft", "piano", 50 + i) for i in range(7)
    ))  # fmt: skip
    cases = [
        ("ambient swells", ambient(90, RATE), Grid(RATE, exact(0), exact(90), Meter(4, 4)), 33),
        ("rubato ballad", play(ballad, RATE, tempo_of_beat=lambda k: float(tempos[k])), grid_of(ballad), 40),
        ("live, +1.3 % from bar 31", play(band, RATE, tempo_of_beat=lambda k: 112.0 if k < 120 else 113.5),
         grid_of(band), band.bars),
        ("pads without attacks", play(pads, RATE), grid_of(pads), pads.bars),
        ("one loop", play(loop, RATE), grid_of(loop), loop.bars),
        ("through-composed", play(through, RATE), grid_of(through), through.bars),
    ]  # fmt: skip
    for name, sound, grid, bars in cases:
        guess = estimate(sound, RATE)
        print(
            f"\n**{name}**\n- without tempo: {guess.lines()[0]}"
            f"\n- against its grid: {fit_beat(sound, RATE, grid).lines()[0]}"
        )
        suggested = sections(sound, grid, bars)
        print(f"- sections: {suggested.warning or 'no warning'}")


def bench_speed(folder: Path) -> None:
    print("\n## Time, as a share of the song's length (demo song, 48 kHz stereo)")
    paths = write_song(folder)
    began = time.perf_counter()
    new_song.propose(paths["bounce"])
    alone_s = time.perf_counter() - began
    began = time.perf_counter()
    new_song.propose(paths["bounce"], tempo=97.3, stems_folder=folder / "stems")
    with_stems_s = time.perf_counter() - began
    bounce = read_audio(paths["bounce"])
    length_s = len(bounce) / 48000
    began = time.perf_counter()
    fit_stems(bounce, {n: p for n, p in paths.items() if n != "bounce"}, 48000)
    null_s = time.perf_counter() - began
    rows: list[tuple[object, ...]] = [
        ("new, tempo estimated", alone_s / length_s),
        ("new with 5 stems", with_stems_s / length_s),
        ("of that, the null of the stems", null_s / length_s),
    ]
    table("what|share", rows)


def main() -> None:
    wanted = sys.argv[1:] or ["tempo", "fit", "odd", "stems", "joins", "hopeless", "speed"]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for part in wanted:
            bench = globals()[f"bench_{part}"]
            bench(folder) if part in ("stems", "joins", "speed") else bench()


if __name__ == "__main__":
    main()
