"""outlook, report, decide, verdict: what the ratings say and what is made of it."""

from __future__ import annotations

import getpass
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from listening.commands.common import (
    echo_json,
    echo_table,
    echo_warnings,
    open_study,
    progress,
    with_json,
    with_study,
    wrapped,
)
from render.errors import StudyError
from render.figures import counted

if TYPE_CHECKING:
    from reports.output.decide import Decided
    from reports.output.report import Written
    from sessions.study import Study


@click.command()
@with_study
@with_json
@click.option("--seed", type=int, default=1, show_default=True, help="The simulation's seed.")
def outlook(folder: Path, as_json: bool, seed: int) -> None:
    """Before the first round: can this panel and plan settle the question?"""
    from reports.simulation.plan_outlook import plan_outlook

    song = open_study(folder).song
    label = "simulating studies like this one"
    with progress(label) as step:
        *_, answer = plan_outlook(song, seed=seed, progress=lambda done, of: step(label, done, of))
    if as_json:
        echo_json(answer.as_json())
        return
    click.echo(wrapped(answer.sentences[0]))
    click.echo()
    people = "one listener" if len(song.listeners) == 1 else f"{len(song.listeners)} listeners"
    echo_table(
        f"{people}, {len(song.forms)} forms, {song.rounds} rounds over "
        f"{counted(song.days, 'day')}; {answer.studies} simulated studies a row",
        ("best leads by", "the form named is the best", "points lost by following it",
         "safe to choose by then", "clear by then"),
        [
            ("any lead" if row.lead is None else f"{row.lead:g} points", f"{row.named.value:.0%}",
             f"{row.lost.value:.1f}", f"{row.safe.value:.0%}", f"{row.clear.value:.0%}")
            for row in answer.rows
        ],
    )  # fmt: skip
    for sentence in answer.sentences[1:]:
        click.echo(wrapped(sentence))


@click.command()
@with_study
@with_json
@click.option(
    "--open",
    "open_now",
    is_flag=True,
    help="Open the study before its plan is done: names are shown, later ratings stay out of the verdict.",
)
@click.option("--yes", is_flag=True, help="Open it without asking.")
@click.option("--compare", "other", type=click.Path(path_type=Path, file_okay=False), metavar="OTHER_STUDY",
              help="Put another study beside this one, on one page.")  # fmt: skip
@click.option("--one-file", is_flag=True, help="Keep the forms' sound inside the page, not beside it.")
@click.option("--small", is_flag=True, help="The forms' sound as Opus (about a tenth of FLAC's size).")
def report(
    folder: Path, as_json: bool, open_now: bool, yes: bool, other: Path | None, one_file: bool, small: bool
) -> None:
    """Write the report; while rounds are open it is sealed, unless --open."""
    from reports.output.report import write_report
    from reports.output.sound import SoundOptions

    study = open_study(folder)
    if other is not None:
        from reports.output.comparison import write_comparison

        _echo_written(write_comparison(study, open_study(other)), as_json)
        return
    if open_now:
        confirm_opening(study, yes)
    with progress("writing the report") as step:
        written = write_report(study, open_now=open_now, sound=SoundOptions(one_file, small), step=step)
    _echo_written(written, as_json)
    decided = any(event.kind == "decided" for event in study.log.contents(listens=False).events)
    if not (as_json or written.sealed or decided):
        click.echo("Next: `fairhearing decide FORM --because TEXT`.")


def _echo_written(written: Written, as_json: bool) -> None:
    """What was written, and its sentence."""
    if as_json:
        files = [str(path) for path in (*written.paths, *([written.audio] if written.audio else []))]
        echo_json({"sealed": written.sealed, "sentence": written.sentence, "files": files})
        return
    click.echo(wrapped(written.sentence))
    for path in written.paths:
        click.echo(f"  {path}")
    if written.audio is not None:
        click.echo(f"  {written.audio} (the forms, heard from the report: keep it beside the page)")


@click.command()
@with_study
@click.argument("form", required=False)
@click.option("--because", metavar="TEXT", help="Why, in your own words; it goes into the report.")
@click.option("--by", metavar="NAME", help="Who decides (asked otherwise).")
@click.option("--yes", is_flag=True, help="Do not ask, even if rounds are still open.")
@click.option(
    "--reopen",
    is_flag=True,
    help="Take up the rounds again (with --because); the decision stays in the history.",
)
@click.option("--no-stems", is_flag=True, help="Do not write the song's stems in the order of the form.")
def decide(
    folder: Path, form: str | None, because: str | None, by: str | None, yes: bool, reopen: bool,
    no_stems: bool,
) -> None:  # fmt: skip
    """Record the decision, open the study, write the way back to the song's project."""
    from reports.output import decide as decisions
    from reports.way_back.stems import stems_bytes

    study = open_study(folder)
    if reopen:
        _echo_decided(decisions.reopen(study, because or ""))
        return
    if form is None:
        names = ", ".join(f'"{f.name}"' for f in study.song.forms)
        raise click.UsageError(f"which form? One of {names}")
    study.song.form(form)  # a name with a typo is asked back before anything else
    confirm_opening(study, yes)
    if because is None and not yes and sys.stdin.isatty():
        because = click.prompt(
            "Why? It goes into the report (Enter: no reason)", default="", show_default=False
        )
    who = by or _who_decides(study, yes)
    if study.song.stems and not no_stems:
        size = stems_bytes(study.song, study.song.form(form)) / 1e6
        click.echo(f"The stems in this order take {size:.0f} MB (--no-stems leaves them out).", err=True)
    with progress("writing the decision") as step:
        decided = decisions.decide(study, form, because or "", who, stems=not no_stems, step=step)
    _echo_decided(decided)


def _who_decides(study: Study, yes: bool) -> str:
    """The only listener; among several, whoever says so; the login name where nobody can be asked."""
    names = [listener.name for listener in study.song.listeners]
    if len(names) == 1:
        return names[0]
    if yes or not sys.stdin.isatty():
        name = getpass.getuser()
        click.echo(
            f"Nobody could be asked who decides: {name}, as this machine knows you (--by NAME).", err=True
        )
        return name
    return str(click.prompt(f"Who decides? ({', '.join(names)}, or another name)")).strip()


def confirm_opening(study: Study, yes: bool) -> None:
    """Say what opening a study ends while rounds are still to be heard, and ask.

    Raises:
        StudyError: nobody can be asked, and `yes` was not said.
    """
    from listening.round_state import still_to_hear
    from sessions.resting import may_stop

    contents = study.log.contents(listens=False)
    waiting = still_to_hear(study)
    if contents.opened is not None or not waiting or may_stop(contents.events):
        return
    warning = (
        f"Rounds are still open: {', '.join(waiting)}. This shows which form is which, and ratings from "
        "here on stay out of the verdict."
    )
    if not yes and not sys.stdin.isatty():
        raise StudyError(f"{warning} Add --yes to do it all the same.")
    click.echo(wrapped(warning), err=True)
    if not yes:
        click.confirm("Go on?", abort=True, err=True)


def _echo_decided(decided: Decided) -> None:
    for line in decided.lines:
        click.echo(wrapped(line))
    for path in decided.paths:
        click.echo(f"  {path}")


@click.command()
@with_json
@click.argument("csv", type=click.Path(path_type=Path, dir_okay=False))
def verdict(csv: Path, as_json: bool) -> None:
    """The verdict on ratings from anywhere: a CSV with listener, day, round, position, form, rating."""
    from reports.facts.ratings_csv import read_ratings
    from reports.facts.similar_names import look_alikes
    from reports.simulation.remaining import to_go
    from reports.verdict.judge import judge

    table, warnings = read_ratings(csv)
    judgement = judge(table)
    echo_warnings([*warnings, *look_alikes(table)])
    if as_json:
        echo_json(judgement.as_json())
        return
    click.echo(wrapped(judgement.sentence))
    with progress("simulating how it may go on") as step:
        needed = to_go(judgement, progress=lambda done, of: step("simulating how it may go on", done, of))
    if needed:
        click.echo(wrapped(needed))
    click.echo()
    days = "one day" if judgement.days == 1 else f"{judgement.days} days"
    echo_table(
        f"Settled ratings, {sum(judgement.listens.values())} listens over {days}",
        ("form ", "settled", "90 % interval", "chance to be best", "points lost by choosing it", "listens"),
        [
            (name, f"{judgement.settled[name].mean:.1f}",
             f"{judgement.settled[name].low:.1f} to {judgement.settled[name].high:.1f}",
             f"{judgement.p_best[name]:.0%}", f"{judgement.expected_loss[name]:.1f}",
             str(judgement.listens[name]))
            for name in judgement.order
        ],
    )  # fmt: skip
    echo_warnings(judgement.notes)
