"""check, ideas, render: the song before anybody listens."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from listening.commands.common import (
    echo_json,
    echo_table,
    echo_warnings,
    number_text,
    open_study,
    progress,
    with_json,
    with_study,
    wrapped,
)
from render.figures import clock_text

if TYPE_CHECKING:
    from sessions.study import Study

THROUGH_THE_DEVICE = Path("-")


@click.command()
@with_study
@with_json
@click.option(
    "--joins-audio",
    type=click.Path(path_type=Path, dir_okay=False),
    is_flag=False,
    flag_value=Path("joins.wav"),
    metavar="[WAV]",
    help="Also write one WAV with four bars around each join, for the maker's ears only.",
)
@click.option(
    "--click",
    "click_file",
    type=click.Path(path_type=Path, dir_okay=False, allow_dash=True),
    is_flag=False,
    flag_value=THROUGH_THE_DEVICE,
    metavar="[WAV]",
    help="Also play the song with a click on every beat (q stops), or write it to a WAV.",
)
def check(folder: Path, as_json: bool, joins_audio: Path | None, click_file: Path | None) -> None:
    """Check song.toml against the audio: sections, forms, tempo, joins."""
    from listening.kept_check import check_study

    study = open_study(folder)
    with progress("listening to the song") as step:
        checked = check_study(study, step)
    excerpts: list[str] = []
    if joins_audio is not None:
        from listening.checking import write_joins_audio

        excerpts = write_joins_audio(study, joins_audio)
    if click_file is not None:
        _click(study, click_file)
    if as_json:
        echo_json(checked)
        return
    song = study.song
    channels = "stereo" if song.audio.channels == 2 else "mono"
    click.echo(
        f"{song.title}: {song.audio.path.name}, {clock_text(song.audio.seconds)}, "
        f"{song.audio.sample_rate} Hz, {channels}\n"
    )
    echo_table(
        "Sections",
        ("section ", "bars", "from", "to"),
        [(s.name, s.bars, clock_text(s.start_s), clock_text(s.end_s)) for s in checked.sections],
    )
    echo_table(
        "Forms",
        ("form ", "bars", "length", "joins", "doubtful", "parts "),
        [
            (f.name, f"{f.bars:g}", clock_text(f.seconds), str(len(f.joins)),
             f.doubtful if checked.grid_fits else "-", ", ".join(f.parts))
            for f in checked.forms
        ],
    )  # fmt: skip
    if checked.grid_fits and any(f.joins for f in checked.forms):
        echo_table(
            "Joins, each form's worst first",
            ("form ", "bar", "join ", "done", "judged"),
            [
                (f.name, str(j.bar), f"{j.before} > {j.after}", j.done, "doubtful" if j.doubtful else "clean")
                for f in checked.forms
                for j in f.joins
            ],
        )
    for line in checked.lines:
        click.echo(wrapped(line))
    echo_warnings(checked.warnings)
    if joins_audio is not None:
        click.echo(f"{joins_audio} holds four bars around each join, for the maker's ears only:")
        for excerpt in excerpts:
            click.echo(f"  {excerpt}")
    notes = " but for the notes above" if checked.warnings else ""
    if checked.grid_fits:
        click.echo(f"song.toml is in order{notes}. Next: `fairhearing render`.")
    else:
        click.echo(
            "First mend tempo or start, then run `fairhearing check` again: joins are judged when they fit."
        )


def _click(study: Study, path: Path) -> None:
    """The song with its click: played where no file is named. What is said goes to stderr, beside --json."""
    from listening.cautions import CAUTION
    from listening.checking import write_click_audio
    from listening.local.click_playing import play_click

    def say(text: str) -> None:
        click.echo(wrapped(text), err=True)

    say(CAUTION)
    if path == THROUGH_THE_DEVICE:
        play_click(study.song, say)
    else:
        mix = write_click_audio(study, path)
        say(f"{path} holds the song with a click on every beat, the first of the bar higher; {mix.line}.")


@click.command()
@with_study
@with_json
@click.option(
    "--count", type=click.IntRange(1, 20), default=5, show_default=True, help="How many to propose."
)
@click.option("--seed", type=int, default=1, show_default=True, help="Another seed, other ideas.")
@click.option("--write", is_flag=True, help="Add them to song.toml (your comments stay).")
def ideas(folder: Path, as_json: bool, count: int, seed: int, write: bool) -> None:
    """Propose forms that you would not have thought of, each with its reason."""
    from listening.kept_check import propose_ideas

    study = open_study(folder)
    with progress("trying orders") as step:
        proposed = propose_ideas(study, count, seed, write=write, step=step)
    if as_json:
        echo_json(proposed)
        return
    for idea in proposed:
        parts = ", ".join(f'"{text}"' for text in idea.texts)
        click.echo(f'"{idea.name}" = [{parts}]')
        click.echo(wrapped(f"# {idea.reason}", subsequent_indent="# ") + "\n")
    if write:
        click.echo("They are in song.toml. Next: `fairhearing check`, then `fairhearing render`.")
    else:
        click.echo("Paste what you like under [forms] in song.toml, or run this again with --write.")


@click.command()
@with_study
@with_json
def render(folder: Path, as_json: bool) -> None:
    """Render all forms at matched loudness."""
    from listening.rendering import doubtful_text, loudness_words, render_study
    from listening.status import study_status

    study = open_study(folder)
    with progress("rendering") as step:
        rendering = render_study(study, step)
    manifest = rendering.manifest
    if as_json:
        echo_json(manifest.as_json())
        return
    echo_table(
        "Loudness of the written files (ITU-R BS.1770-5)",
        ("form ", "LUFS", "gain dB", "true peak dBTP", "range LU", "length"),
        [
            (f.name, number_text(f.lufs, 2), f"{f.gain_db:z.2f}", number_text(f.true_peak_dbtp, 2),
             number_text(f.lra_lu), clock_text(f.seconds))
            for f in manifest.forms
        ],
    )  # fmt: skip
    for line in loudness_words(manifest.target_lufs, manifest.spread_lu):
        click.echo(wrapped(line))
    if doubtful := doubtful_text(manifest):
        click.echo(wrapped(f"{doubtful}: `fairhearing check` names them and what to do."))
    for line in [*_careful(study), *rendering.retired, *study_status(study).lines]:
        click.echo(wrapped(line))


def _careful(study: Study) -> Iterator[str]:
    """What to know before anybody listens: a beat that does not fit, packets that hold what was before."""
    from listening.kept_check import beat_trouble

    if trouble := beat_trouble(study):
        yield (
            f"Careful, `fairhearing check` found: {trouble}. Bars may be cut in the wrong places; mend that "
            "before anybody listens."
        )
    if (study.folder / "packets").is_dir():
        from listening.packet.packet_file import out_text, packets_out

        if out := packets_out(study):
            yield (
                f"Packets are out: {out_text(out)}. They hold the forms as they were written; take their "
                "answers in (`fairhearing collect`) before the song gets another bounce."
            )
