"""A study begun around a bounce: the bounce measured, song.toml proposed and written."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from render.errors import AudioError, SongError
from render.files import replacing
from render.proposals import new_song
from render.song.beats_file import BEATS_FILE, beats_text, write_beats
from render.song.song import SONG_FILE
from render.steps import Step, no_step

if TYPE_CHECKING:
    from render.proposals.live_take import LiveTake


@dataclass(frozen=True)
class NewStudy:
    """The song.toml that was proposed; `path` is None where its author declined it."""

    path: Path | None
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
    step: Step = no_step,
) -> NewStudy:
    """Write song.toml beside the bounce; what was only estimated is confirmed first.

    Each line of what was measured goes to `report` before `confirm` is asked a question. With a map (the
    Standard MIDI File of the song's project), `start_s` is where its tick 0 falls. `step` is told how
    far it is.

    Raises:
        SongError: there is a song.toml already; AudioError: the bounce cannot be used.
    """
    if not audio.is_file():
        raise AudioError(f"there is no file {audio}; name the bounce (WAV, FLAC, AIFF, OGG or MP3)")
    path = audio.parent / SONG_FILE
    _require_none(path)
    if map_path is not None and (tempo is not None or live):
        raise SongError("a map knows the tempo; leave --tempo and --live out, or the map")
    proposal = new_song.propose(
        audio, tempo=tempo, meter=meter, start_s=start_s, live=live, stems_folder=stems, map_path=map_path,
        step=step,
    )  # fmt: skip
    *lines, next_step = proposal.lines
    for line in lines:
        report(line)
    if proposal.question and not confirm(proposal.question):
        return NewStudy(None, next_step)
    step("writing song.toml", 99, 100)
    _require_none(path)
    if proposal.take is not None:
        _keep_beats(audio.parent / BEATS_FILE, proposal.take)
    with replacing(path) as half:
        half.write_text(proposal.text, encoding="utf-8")
    return NewStudy(path, next_step)


def _require_none(path: Path) -> None:
    if path.exists():
        raise SongError(
            f"{path} exists; a study's song.toml is written once. Move it away, or edit it instead"
        )


def _keep_beats(path: Path, take: LiveTake) -> None:
    """Write a live take's beats; the same ones may lie there since a start that was broken off."""
    if path.exists() and path.read_bytes() != beats_text(take.beats_s, take.note).encode():
        raise SongError(f"{path} exists, and would be replaced; move it away, or name it in song.toml")
    write_beats(path, take.beats_s, take.note)
