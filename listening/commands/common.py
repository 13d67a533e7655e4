"""What commands share: the study they work on, JSON, tables, progress."""

from __future__ import annotations

import math
import shutil
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from render.steps import Step, no_step

if TYPE_CHECKING:
    from sessions.resting import PanelReading
    from sessions.study import Study

F = TypeVar("F", bound=Callable[..., Any])


def with_study(command: F) -> F:
    """--study DIR, passed on as `folder`, and --store URL, which `open_study` heeds."""
    study = click.option(
        "--study", "folder", type=click.Path(path_type=Path), default=Path(), envvar="FAIRHEARING_STUDY",
        metavar="DIR", help="The study's folder (default: here).",
    )  # fmt: skip
    store = click.option(
        "--store", envvar="FAIRHEARING_STORE", metavar="URL", expose_value=False, callback=_keep_store,
        help="Keep the log on a server: postgresql+psycopg://USER@HOST/DATABASE (one database a study).",
    )  # fmt: skip
    return study(store(command))


def _keep_store(context: click.Context, _option: click.Parameter, url: str | None) -> None:
    context.obj = url


def with_json(command: F) -> F:
    """--json: print the result as JSON, for other programs."""
    return click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")(command)


def open_study(folder: Path) -> Study:
    """The study a command works on, with the store of the command line."""
    from sessions.study import Study

    def read(study: Study) -> PanelReading | None:
        from reports.facts.panel_reading import read_panel

        return read_panel(study)

    return Study(folder, store=click.get_current_context().obj, reader=read)


def wrapped(text: str, initial_indent: str = "", subsequent_indent: str = "") -> str:
    """A paragraph as wide as the terminal, 100 columns at most."""
    columns = min(100, shutil.get_terminal_size((100, 24)).columns)
    return click.wrap_text(text, columns, initial_indent, subsequent_indent)


def echo_json(value: Any) -> None:
    """Print plain data or a dataclass as JSON; what is no number (a silent file's loudness) becomes null."""
    from pydantic_core import to_json

    click.echo(to_json(value, indent=2, inf_nan_mode="null").decode())


def echo_table(title: str, columns: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """A plain table; columns whose name ends in a space stay on the left."""
    from rich.console import Console
    from rich.table import Table

    table = Table(
        title=title, title_justify="left", title_style="bold", box=None, pad_edge=False, padding=(0, 2, 0, 0)
    )
    for column in columns:
        table.add_column(column.strip(), justify="left" if column.endswith(" ") else "right", overflow="fold")
    for row in rows:
        table.add_row(*row)
    console = Console(highlight=False, markup=False)
    console.print(table)
    console.print()


def echo_warnings(warnings: Iterable[str]) -> None:
    """Warnings on stderr, one paragraph each."""
    for warning in warnings:
        click.echo(wrapped(f"Note: {warning}", subsequent_indent="      "), err=True)


@contextmanager
def progress(what: str) -> Iterator[Step]:
    """A progress line on stderr for long work: call it with (what was done, steps done, steps in all)."""
    if not sys.stderr.isatty():
        yield no_step
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    console = Console(stderr=True, highlight=False)
    columns = (TextColumn("{task.description}", markup=False), BarColumn(bar_width=24), MofNCompleteColumn())
    with Progress(*columns, console=console, transient=True) as bars:
        task = bars.add_task(what, total=None)

        def step(done_what: str, done: int, of: int) -> None:
            bars.update(task, description=done_what, completed=done, total=of)

        yield step


def number_text(value: float | None, digits: int = 1) -> str:
    return "–" if value is None or not math.isfinite(value) else f"{value:.{digits}f}"
