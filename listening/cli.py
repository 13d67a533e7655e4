"""The command line. Only here do listening and reports meet; a command imports what it needs when it runs."""

from __future__ import annotations

import atexit
import gc
import os
import sys
from typing import Any

import click

from listening.commands import bundle, listen, results, song, start
from render.errors import FairhearingError

WAY = (
    "The way through: start a study around a bounce (new), look at it (check, ideas, render, outlook), hear "
    "it in blind rounds over some days (listen, host, packet, collect, status), then decide (report, decide)."
)


# We use no pydantic plugins; looking for them in every installed package costs a tenth of `status`.
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
# Our matrix products are small: numpy's threads for them wait for each other in a busy loop, for a third of
# what `check` took. Where a second core helps, work is parted between threads of our own.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


class Commands(click.Group):
    """Lists commands in the order of the work, and turns every error into one clear message."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        del ctx
        return list(self.commands)

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except FairhearingError as error:
            raise click.ClickException(str(error)) from None
        except (click.ClickException, click.exceptions.Exit, click.Abort, BrokenPipeError):
            raise
        except Exception as error:
            if os.environ.get("FAIRHEARING_TRACEBACK"):
                raise
            raise click.ClickException(
                f"something went wrong that should not have ({type(error).__name__}: {error}). What was "
                "rated is kept. Set FAIRHEARING_TRACEBACK=1 and run the command again to see where"
            ) from None


@click.group(cls=Commands, epilog=WAY, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="fairhearing")
def main() -> None:
    """Compare the forms of a song blind, whole, equally loud, over several days; then decide."""


for command in (
    start.open_, start.demo, start.new, song.check, song.ideas, song.render, results.outlook, listen.listen,
    listen.host,
    listen.packet, listen.collect, listen.status,
    results.report, results.decide, results.verdict, bundle.bundle,
):  # fmt: skip
    main.add_command(command)


def run() -> None:
    """The program `fairhearing`.

    Nearly all that is made while modules load is kept. Looking for garbage in it, again and again and once
    more at the program's end, would be a quarter of a short command's time.
    """
    gc.set_threshold(50_000, 20, 50)
    atexit.register(gc.freeze)
    sys.exit(main())


if __name__ == "__main__":
    run()
