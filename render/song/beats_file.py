"""A live take's beats: a text file with the time of every beat in seconds, one a line.

    time_s
    0.512
    1.047

A first line of words and lines that begin with # are notes. song.toml names it as `beats`; `start` says which
of them is beat 1 of bar 1.
"""

from __future__ import annotations

import bisect
import itertools
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

from render.errors import SongError
from render.files import replacing
from render.song.grid import Grid

BEATS_FILE = "beats.csv"
FEWEST_BEATS = 2
SHORTEST_S, LONGEST_S = Fraction(6, 100), Fraction(6)  # 1000 and 10 beats a minute, as for a tempo
ON_A_BEAT_S = Fraction(30, 1000)  # what `start` may be off the beat it means: less than a flam
_HEAD = "time_s"


def read_beats(path: Path) -> tuple[Fraction, ...]:
    """The times of a beats file, seconds, exactly as written.

    Raises:
        SongError: it is missing, no text, or its lines are no rising times; naming the line.
    """
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except FileNotFoundError:
        raise SongError(
            f"song.beats: there is no file {path}; `fairhearing new --live` writes one, or take the key out"
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise SongError(f"song.beats: {path} cannot be read as UTF-8 text: {error}") from None
    beats: list[Fraction] = []
    for number, line in enumerate(lines, start=1):
        text = line.strip().rstrip(",;")
        if not text or text.startswith("#") or (number == 1 and text.strip('"').isidentifier()):
            continue
        beats.append(_beat(text, f"{path.name}, line {number}", beats[-1] if beats else None))
    if len(beats) < FEWEST_BEATS:
        raise SongError(
            f"song.beats: {path.name} holds {len(beats)} beats; it needs one time in seconds a beat"
        )
    return tuple(beats)


def _beat(text: str, where: str, before: Fraction | None) -> Fraction:
    try:
        beat = Fraction(text) if len(text) <= 40 else None
    except (ValueError, ZeroDivisionError):
        beat = None
    if beat is None or beat < 0 or "/" in text:
        raise SongError(f"{where}: {text[:40]!r} is no time; write the seconds of one beat, such as 12.345")
    if before is not None and not SHORTEST_S <= beat - before <= LONGEST_S:
        raise SongError(
            f"{where}: {float(beat):g} s lies {float(beat - before):.3f} s after the beat before it; beats "
            f"rise, {float(SHORTEST_S):g} to {float(LONGEST_S):g} s apart"
        )
    return beat


def with_beats(grid: Grid, path: Path, seconds: float) -> Grid:
    """`grid` (its start and meters) on the beats of a file, for audio so many seconds long.

    Raises:
        SongError: the file, or `start` or `changes` beside it, is not in order.
    """
    if any(change.tempo is not None for change in grid.changes):
        raise SongError("song.changes: with beats, only meters change; take the tempos out")
    beats = read_beats(path)
    if beats[-1] > seconds + 1:
        raise SongError(
            f"song.beats: {path.name} goes on to {float(beats[-1]):.2f} s, the audio is {seconds:.2f} s; "
            "is it another take's?"
        )
    at = bisect.bisect_left(beats, grid.start_s)
    near = min(beats[max(at - 1, 0) : at + 1], key=lambda beat: abs(beat - grid.start_s))
    if abs(near - grid.start_s) > ON_A_BEAT_S:
        raise SongError(
            f"song.start: {float(grid.start_s):g} s is no beat of {path.name} (the nearest is "
            f"{float(near):g} s); write the one that bar 1 begins with"
        )
    after = tuple(beat for beat in beats if beat >= near)
    if len(after) < FEWEST_BEATS:
        raise SongError(
            f"song.start: {path.name} has no beats after {float(near):g} s; give an earlier start"
        )
    return replace(grid, start_s=near, beats_s=after)


def write_beats(path: Path, beats_s: Sequence[float], note: str) -> None:
    """Write a beats file, times to a tenth of a millisecond.

    Raises:
        WriteError: it cannot be written.
    """
    assert all(one < two for one, two in itertools.pairwise(beats_s))
    with replacing(path) as half:
        half.write_text(beats_text(beats_s, note), encoding="utf-8")


def beats_text(beats_s: Sequence[float], note: str) -> str:
    """What a beats file holds, `note` as comments."""
    lines = [_HEAD, *(f"# {line}" for line in note.splitlines()), *(f"{beat:.4f}" for beat in beats_s)]
    return "\n".join(lines) + "\n"
