"""The grid of a song as song.toml has it: tempo, meter and changes, or the map of the song's project."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from render.errors import BeyondTheEndError, SongError
from render.song.beats_file import with_beats
from render.song.grid import Change, Grid, Meter, exact
from render.song.schema import MappedSongTable, SongTable

if TYPE_CHECKING:
    from render.song.song_map import SongMap


def grid_of(
    song: SongTable | MappedSongTable, folder: Path, sample_rate: int, frames: int
) -> tuple[Grid, SongMap | None]:
    """The grid, and the map that it comes from where `[song] map` names one (in `folder`).

    Raises:
        SongError: naming the key, or the map's file.
    """
    seconds = frames / sample_rate
    if song.start >= seconds:
        raise SongError(
            f"song.start: bar 1 cannot begin at {song.start} s, the audio is {seconds:.2f} s long; "
            "give the seconds where its first beat falls"
        )
    if isinstance(song, MappedSongTable):
        laid = _map(song, folder, sample_rate, frames)
        return laid.grid, laid
    grid = _written(song, sample_rate, frames)
    return (with_beats(grid, folder / song.beats, seconds) if song.beats is not None else grid), None


def _map(song: MappedSongTable, folder: Path, sample_rate: int, frames: int) -> SongMap:
    from render.song.song_map import lay_map  # here, because few songs have one
    from render.song.tempo_map import read_tempo_map

    for key, there in (
        ("tempo", song.tempo),
        ("meter", song.meter),
        ("changes", song.changes),
        ("beats", song.beats),
    ):
        if there:
            raise SongError(
                f"song.{key}: it comes from the map, {song.map}; take this line out, or the one of the map"
            )
    path = folder / song.map
    return lay_map(read_tempo_map(path), path, song.map_bar, exact(song.start), sample_rate, frames)


def _written(song: SongTable, sample_rate: int, frames: int) -> Grid:
    """The grid of tempo, meter and changes."""
    bars = [change.bar for change in song.changes]
    for bar in bars:
        if bars.count(bar) > 1:
            raise SongError(f"song.changes: bar {bar} is changed twice; put tempo and meter into one entry")
    changes = tuple(
        Change(c.bar, exact(c.tempo) if c.tempo else None, Meter(*c.meter) if c.meter else None)
        for c in sorted(song.changes, key=lambda c: c.bar)
    )
    grid = Grid(sample_rate, exact(song.start), exact(song.tempo), Meter(*song.meter), changes)
    for change in changes:
        if change.tempo is None and change.meter is None:
            raise SongError(f"song.changes: bar {change.bar} changes nothing; give it a tempo or a meter")
        if grid.line_frame(change.bar) >= frames:
            raise BeyondTheEndError(
                f"song.changes: bar {change.bar} lies beyond the end of the audio "
                f"({frames / sample_rate:.2f} s); take that entry out, or look at tempo and start"
            )
    return grid
