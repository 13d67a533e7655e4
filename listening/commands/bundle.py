"""bundle: a whole study as one file, from one machine to the next."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from listening.commands.common import open_study, progress, with_study, wrapped
from render.errors import BundleError


@click.command()
@with_study
@click.argument("file", required=False, type=click.Path(path_type=Path, dir_okay=False))
@click.option("--check", "to_check", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
              help="Compare every file in a bundle with its SHA-256.")  # fmt: skip
@click.option("--open", "to_open", nargs=2, type=click.Path(path_type=Path), metavar="FILE DIR",
              help="Make a bundle a study again, in a folder that is new.")  # fmt: skip
@click.option("--yes", is_flag=True, help="Do not ask, even while the study is sealed.")
def bundle(
    folder: Path, file: Path | None, to_check: Path | None, to_open: tuple[Path, Path] | None, yes: bool
) -> None:
    """Write a whole study into one file, check such a file, or open it elsewhere."""
    if sum(x is not None for x in (file, to_check, to_open)) > 1:
        raise click.UsageError("write a bundle, --check one or --open one: one of the three at a time")
    if to_check is not None:
        _check(to_check)
    elif to_open is not None:
        _open(*to_open)
    else:
        _write(folder, file, yes)


def _write(folder: Path, file: Path | None, yes: bool) -> None:
    from sessions.bundle.writing import bundle_bytes, bundle_name, caution, write_bundle

    study = open_study(folder)
    said = caution(study)
    if said and not yes:
        if not sys.stdin.isatty():
            raise BundleError(f"{said} Add --yes to write it all the same")
        click.echo(wrapped(said), err=True)
        click.confirm("Write it all the same?", abort=True, err=True)
    path = file or Path(bundle_name(study))
    click.echo(f"{bundle_bytes(study) / 1e6:.0f} MB go into {path} …")
    with progress("copying") as step:
        done = write_bundle(study, path, step, sealed_too=bool(said))
    for note in done.notes:
        click.echo(wrapped(note))
    click.echo(f"{path} holds the study whole: {done.files} files, {done.bytes / 1e6:.1f} MB.")
    click.echo(
        f"To verify it, now or in ten years: fairhearing bundle --check '{path}' (or the README in it)."
    )


def _check(path: Path) -> None:
    from sessions.bundle.checking import check_bundle

    checked = check_bundle(path)
    if not checked.is_whole:
        raise BundleError("\n  ".join(checked.lines))
    click.echo(wrapped(checked.lines[0]))


def _open(path: Path, folder: Path) -> None:
    from sessions.bundle.opening import open_bundle

    opened = open_bundle(path, folder)
    click.echo(wrapped(opened.lines[0]))
    click.echo(f"{folder} is a study. Next: `fairhearing status --study '{folder}'`.")
