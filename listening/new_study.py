"""A study begun around a bounce: the bounce measured, song.toml proposed and written."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from render.errors import AudioError, SongError
from render.files import replacing
from render.proposals import new_song
from render.song.beats_file import BEATS_FILE, write_beats
from render.song.song import SONG_FILE


@dataclass(frozen=True)
class NewStudy:
    """The song.toml that was proposed; `path` is None where its author declined it."""

    path: Path | None
    lines: tuple[str, ...]
    next_step: str


def start_study(
    audio: Path,
    *,
    tempo: float | None,
    meter: str,
    start_s: float | None,
    live: bool = False,
    stems: Path | None,
    report: Callable[[str], None],
    confirm: Callable[[str], bool],
    map_path: Path | None = None,
) -> NewStudy:
    """Write song.toml beside the bounce; what was only estimated is confirmed first.

    Each line of what was measured goes to `report` before `confirm` is asked a question. With a map (the
    Standard MIDI File of the song's project), `start_s` is where its tick 0 falls.

    Raises:
        SongError: there is a song.toml already; AudioError: the bounce cannot be used.
    """
    if not audio.is_file():
        raise AudioError(f"there is no file {audio}; name the bounce (WAV, FLAC, AIFF, OGG or MP3)")
    path = audio.parent / SONG_FILE
    if path.exists():
        raise SongError(
            f"{path} exists; a study's song.toml is written once. Move it away, or edit it instead"
        )
    if map_path is not None and (tempo is not None or live):
        raise SongError("a map knows the tempo; leave --tempo and --live out, or the map")
    beats = audio.parent / BEATS_FILE
    if live and beats.exists():
        raise SongError(f"{beats} exists, and would be replaced; move it away, or name it in song.toml")
    proposal = new_song.propose(
        audio, tempo=tempo, meter=meter, start_s=start_s, live=live, stems_folder=stems, map_path=map_path
    )
    *lines, next_step = proposal.lines
    for line in lines:
        report(line)
    if proposal.question and not confirm(proposal.question):
        return NewStudy(None, tuple(lines), next_step)
    if proposal.take is not None:
        write_beats(beats, proposal.take.beats_s, proposal.take.note)
    with replacing(path) as half:
        half.write_text(proposal.text, encoding="utf-8")
    return NewStudy(path, tuple(lines), next_step)
