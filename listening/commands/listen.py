"""listen, host, packet, collect, status: the rounds."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from listening.commands.common import (
    echo_json,
    echo_table,
    open_study,
    with_json,
    with_study,
    wrapped,
)
from render.figures import counted

if TYPE_CHECKING:
    from listening.status import StudyStatus
    from render.song.song import Listener
    from sessions.study import Study


@click.command()
@with_study
@click.option("--listener", "name", metavar="NAME", help="Who listens (as in song.toml).")
@click.option("--page", is_flag=True, help="Listen in the browser instead.")
@click.option("--device", metavar="NAME", help="The sound device (default: the system's).")
@click.option("--heard-on", metavar="WHAT", help="headphones, monitors, car, phone, ... (asked otherwise).")
@click.option("--any-day", is_flag=True, help="Begin the next round although it is due on a later day.")
def listen(
    folder: Path, name: str | None, page: bool, device: str | None, heard_on: str | None, any_day: bool
) -> None:
    """Hear the next round: each form whole, blind, then its rating."""
    from listening.local.terminal import ListeningSetup
    from listening.local.terminal import listen as listen_here

    study = open_study(folder)
    listener = study.listener(name) if name else _only_listener(study)
    if page:
        from listening.page.host import open_for

        open_for(study, listener.name, any_day=any_day)
    else:
        listen_here(study, listener.name, ListeningSetup(device, heard_on, any_day))


@click.command()
@with_study
@click.option("--lan", is_flag=True, help="Let other machines in your network connect.")
@click.option("--port", type=click.IntRange(1, 65535), help="A fixed port (default: a free one).")
@click.option(
    "--renew", metavar="NAME", multiple=True, help="Give this listener a new link; the old one ends."
)
@click.option(
    "--withdraw", metavar="NAME", multiple=True, help="End this listener's links, and do not serve."
)
@click.option(
    "--address", metavar="URL", help="What the page is reached by, if not by this machine's address."
)
@click.option(
    "--small", is_flag=True, help="Smaller, slightly lossy audio (all forms alike), for slow lines."
)
@click.option("--any-day", is_flag=True, help="Rounds may begin although they are due on a later day.")
def host(
    folder: Path,
    lan: bool,
    small: bool,
    port: int | None,
    renew: tuple[str, ...],
    withdraw: tuple[str, ...],
    address: str | None,
    any_day: bool,
) -> None:
    """Serve the listening page to co-writers, one private link each."""
    study = open_study(folder)
    if withdraw:
        from listening import links

        ended = links.withdraw(study, [study.listener(name).name for name in withdraw])
        click.echo(f"{counted(ended, 'link')} withdrawn; `fairhearing host` makes new ones.")
        return
    from listening.page.host import serve

    serve(
        study, lan=lan, port=port, renew=renew, address=address, small=small, any_day=any_day, say=click.echo
    )  # fmt: skip


@click.command()
@with_study
@click.argument("name")
@click.option("--small", is_flag=True, help="Smaller, slightly lossy audio (all forms alike).")
@click.option("--any-day", is_flag=True, help="Although the round is due on a later day.")
def packet(folder: Path, name: str, small: bool, any_day: bool) -> None:
    """Write one file with a round for somebody far away."""
    from listening.packet.message import write_message
    from listening.packet.packet_file import write_packet

    study = open_study(folder)
    listener = study.listener(name).name
    path = write_packet(study, listener, small=small, any_day=any_day)
    message = write_message(study, listener, path)
    size_mb = path.stat().st_size / 1e6
    click.echo(
        f"{path} holds the round ({size_mb:.0f} MB). Send it to {name} by a file transfer or on a stick; "
        "what comes back goes into `fairhearing collect`."
    )
    if size_mb > 20 and not small:
        click.echo("For mail it is too large: --small makes it a good deal smaller, all forms alike.")
    click.echo(f"\nA message to go with it ({message}):\n\n{message.read_text(encoding='utf-8')}", nl=False)


@click.command()
@with_study
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
def collect(folder: Path, file: Path) -> None:
    """Take in the answers of a packet, once."""
    from listening.packet.collect import collect as collect_answers

    for line in collect_answers(open_study(folder), file).lines:
        click.echo(line)


@click.command()
@with_study
@with_json
def status(folder: Path, as_json: bool) -> None:
    """Who has heard what, and when the next round is due. Tells no form's name or rating."""
    from listening.status import study_status

    status = study_status(open_study(folder))
    if as_json:
        echo_json(status)
    else:
        _echo_status(status)
        if (folder / "packets").is_dir():
            from listening.packet.packet_file import out_text, packets_out

            if out := packets_out(open_study(folder)):
                click.echo(wrapped(f"Packets whose answers are not back: {out_text(out)}."))


def _echo_status(status: StudyStatus) -> None:
    click.echo(f"{status.title}: {status.state}\n")
    echo_table(
        "Listeners",
        ("listener ", "rounds done", "in the open round", "days", "next "),
        [
            (x.shown_name, f"{x.rounds_done} of {x.rounds_planned}", x.open_text, str(x.days), x.next_text)
            for x in status.listeners
        ],
    )
    for line in status.lines:
        click.echo(line)


def _only_listener(study: Study) -> Listener:
    listeners = study.song.listeners
    if len(listeners) == 1:
        return listeners[0]
    names = ", ".join(x.name for x in listeners) or "nobody yet; add them under [listeners] in song.toml"
    raise click.UsageError(f"who listens? Add --listener NAME ({names})")
