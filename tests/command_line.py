"""The command line in this process: as quick as a call, with the exit code and all that was said."""

from __future__ import annotations

from pathlib import Path

from click.testing import CliRunner

from listening.cli import main

OUR_FAULT = "something went wrong that should not have"


def told(folder: Path, *arguments: str, code: int = 0, study: bool = True) -> str:
    """What fairhearing says to `arguments` about the study in `folder`, which must end with `code`.

    An error is one message, and never one that we had not thought of.
    """
    where = ["--study", str(folder)] if study else []
    done = CliRunner().invoke(main, [arguments[0], *where, *arguments[1:]])
    assert OUR_FAULT not in done.output and "Traceback" not in done.output, done.output
    assert done.exit_code == code, f"exit {done.exit_code}: {done.output} {done.exception!r}"
    if code == 1:
        assert done.output.count("Error: ") == 1
    return done.output
