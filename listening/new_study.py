"""Start a study around a bounce: measure it, propose song.toml, ask where something was only guessed."""

from __future__ import annotations

from pathlib import Path

import click

from listening.commands.common import wrapped
from render import new_song
from render.errors import AudioError, SongError
from render.files import replacing
from render.song import SONG_FILE


def start_study(
    audio: Path, *, tempo: float | None, meter: str, start_s: float | None, stems: Path | None, ask: bool
) -> None:
    """Write song.toml beside the bounce; an estimated tempo is asked about when `ask`.

    Raises:
        SongError: there is a song.toml already; AudioError: the bounce cannot be used.
    """
    if not audio.is_file():
        raise AudioError(f"there is no file {audio}; name the bounce (WAV, FLAC, AIFF or OGG)")
    path = audio.parent / SONG_FILE
    if path.exists():
        raise SongError(
            f"{path} exists; a study's song.toml is written once. Move it away, or edit it instead"
        )
    proposal = new_song.propose(audio, tempo=tempo, meter=meter, start_s=start_s, stems_folder=stems)
    *found, next_step = proposal.lines
    for line in found:
        click.echo(wrapped(line, subsequent_indent="  "))
    if proposal.confirm and ask:
        question = f"\nThe tempo was estimated: {proposal.tempo:g} quarter notes a minute. Is that right?"
        if not click.confirm(question, default=True):
            click.echo("Nothing was written. Run it again with --tempo BPM.")
            raise click.Abort
    with replacing(path) as half:
        half.write_text(proposal.text, encoding="utf-8")
    click.echo(f"\n{path} is written, with comments; it is yours from here on.")
    click.echo(wrapped(next_step[:1].upper() + next_step[1:]))
