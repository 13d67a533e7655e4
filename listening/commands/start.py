"""open, demo and new: the ways to begin."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from listening.commands.common import open_study, progress, wrapped
from render.errors import StudyError


@click.command()
@click.argument("directory", metavar="[DIR]", type=click.Path(path_type=Path, file_okay=False),
                default=Path("fairhearing-demo"))  # fmt: skip
@click.option("--unheard", is_flag=True, help="Only the song and its renders: the rounds wait for you.")
def demo(directory: Path, unheard: bool) -> None:
    """See the whole job on an invented song: renders, scripted rounds, a report."""
    from listening.demo.demo_study import play_through, require_empty, write_study
    from render.renders.render_forms import render_forms
    from reports.output.report import write_report

    require_empty(directory)
    click.echo("An invented song is synthesised, its forms rendered at matched loudness …")
    with progress("synthesising the song") as step:
        write_study(directory)
        study = open_study(directory)
        manifest = render_forms(study.song, progress=step)
    for form in manifest.forms:
        click.echo(
            f"  {form.name:<14} {form.lufs:7.2f} LUFS  gain {form.gain_db:z6.2f} dB  "
            f"true peak {form.true_peak_dbtp:6.2f} dBTP"
        )
    if unheard:
        click.echo("Nobody has heard it yet. Put your name under [listeners] in its song.toml, then:")
        click.echo(f"  fairhearing listen --study {directory} --listener YOURNAME   (--page: in the browser)")
        return
    click.echo("Three simulated listeners hear ten rounds each, over ten days …")
    with progress("scripted rounds") as step:
        lines = play_through(study, step)
    for line in lines:
        click.echo(f"  {line}")
    written = write_report(study)
    click.echo("\nThe listeners are simulated, so this verdict is about a script, not about music:")
    click.echo(wrapped(written.sentence, initial_indent="  ", subsequent_indent="  "))
    click.echo(f"\nThe report: {written.paths[0]}")
    click.echo(f'Decide:   fairhearing decide --study {directory} "early bridge" --because "it lifts"')
    click.echo("Hear it:  fairhearing demo --unheard my-demo   (the same song, with nothing heard yet)")
    click.echo(f"{directory} takes about 0.5 GB; delete it when you have seen enough.")


class Decimal(click.FloatRange):
    """A number within limits, with a decimal point or, as many countries write it, a comma."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        try:
            number = float(value.replace(",", ".") if isinstance(value, str) else value)
        except ValueError:
            self.fail(f'"{value}" is not a number; write it like 108.0', param, ctx)
        return super().convert(number, param, ctx)


@click.command()
@click.argument("audio", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--tempo", type=Decimal(10, 1000), metavar="BPM", help="Quarter notes per minute.")
@click.option("--meter", default="4/4", show_default=True, help="Beats in a bar / what a beat is.")
@click.option("--start", "start_s", type=Decimal(), metavar="SECONDS", help="Where bar 1 beat 1 falls.")
@click.option("--map", "map_path", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE.mid",
              help="The project's tempo, meter and markers (SMF); --start says where tick 0 is.")  # fmt: skip
@click.option("--live", is_flag=True, help="A take that sways: follow its beat, and write it as beats.csv.")
@click.option("--stems", type=click.Path(path_type=Path, file_okay=False, exists=True), metavar="FOLDER")
@click.option("--yes", is_flag=True, help="Take what was estimated without asking.")
def new(
    audio: Path, tempo: float | None, meter: str, start_s: float | None, live: bool, map_path: Path | None,
    stems: Path | None, yes: bool,
) -> None:  # fmt: skip
    """Start a study around a bounce, in the folder it lies in."""
    from listening.new_study import start_study

    def confirmed(question: str) -> bool:
        try:
            return yes or click.confirm(f"\n{question}", default=True)
        except click.Abort:
            if sys.stdin.isatty():
                raise
            click.echo()
            raise StudyError(
                f"nobody is here to answer: {question} Add --yes to take it as it is. Nothing was written"
            ) from None

    begun = start_study(
        audio, tempo=tempo, meter=meter, start_s=start_s, live=live, stems=stems, map_path=map_path,
        confirm=confirmed,
        report=lambda line: click.echo(wrapped(line, subsequent_indent="  ")),
    )  # fmt: skip
    if begun.path is None:
        click.echo("Nothing was written.")
        raise click.exceptions.Exit(1)
    click.echo(f"\n{begun.path} is written, with comments; it is yours from here on.")
    click.echo(wrapped(begun.next_step[:1].upper() + begun.next_step[1:]))


@click.command(name="open")
@click.argument("target", type=click.Path(path_type=Path), default=Path())
@click.option(
    "--store", envvar="FAIRHEARING_STORE", metavar="URL",
    help="Keep the log on a server: postgresql+psycopg://USER@HOST/DATABASE (one database a study).",
)  # fmt: skip
@click.option("--no-browser", is_flag=True, help="Only print the page's address; open it yourself.")
@click.option(
    "--starter", type=click.Path(path_type=Path, file_okay=False), metavar="PLACE",
    help="Only put a small file there that opens the page by a double click.",
)  # fmt: skip
def open_(target: Path, store: str | None, no_browser: bool, starter: Path | None) -> None:
    """Open the maker's page of a folder or a bounce: the whole way in the browser."""
    if starter is not None:
        from listening.maker.starter import write_starter

        folder = target if target.is_dir() else target.parent
        click.echo(f"{write_starter(folder, starter)} opens the page by a double click.")
        return
    from listening.maker.opening import open_page

    open_page(target, store=store, browser=not no_browser, say=click.echo)
