"""Serving the page: to this machine, or to a network on request; and opening it for one listener here."""

from __future__ import annotations

import re
import socket
import threading
import webbrowser
from collections.abc import Callable, Sequence
from contextlib import suppress
from urllib.parse import urlsplit

import uvicorn
from starlette.applications import Starlette

from listening import links
from listening.page.copies import travelling_bytes
from listening.page.server import create_app
from listening.round_state import is_lost, round_state
from render.errors import StudyError
from render.renders.copies import Copies
from sessions.links import end_links
from sessions.study import Study

DEFAULT_PORT = 8421
HERE = "127.0.0.1"
EVERYWHERE = "0.0.0.0"
# An idle connection outlives several of a page's heartbeats: where it ended between two (uvicorn's 5 s are as
# long as one), a heartbeat could meet it as it closed.
IDLE_S = 30
WAITING = 512  # connections that the system takes before they are answered
LAST_ANSWERS_S = 3  # for requests under way when the server is told to stop

WHAT_LAN_OPENS = """\
--lan: the page is open to every device in this network until you stop it with Ctrl-C.
Whoever has a link hears the song and rates as that listener; without a link there is nothing to see.
What travels is not encrypted: somebody in the same network could read along. Do not do this in a public
network. Your firewall may ask whether to allow it. For another city, use `fairhearing packet`."""
WHAT_HERE_MEANS = """\
The page is served to this machine only. Add --lan to let phones and laptops in your network in, or make
`fairhearing packet NAME` for somebody far away."""
NO_CODES = """
There are no QR codes, as no phone can open this address: --lan gives one that phones in your network can
open, --address URL one by which this machine is reached from elsewhere."""

Say = Callable[[str], None]


def serve(
    study: Study,
    *,
    lan: bool = False,
    port: int | None = None,
    renew: Sequence[str] = (),
    address: str | None = None,
    small: bool = False,
    any_day: bool = False,
    say: Say = print,
) -> None:
    """Serve the page until interrupted, and print a private link for every listener without one.

    `renew` names listeners who get a new link, their older ones ending; `address` is what the page is
    reached by from outside (for instance "https://songs.example" of a tunnel), if not by this machine's own
    address; `small` plays Opus instead of FLAC.

    Raises:
        StudyError: the port is taken, or the renders are not current; SongError: a listener is unknown.
    """
    wanted = _all_names(study)
    again = {study.listener(name).name for name in renew}
    app = create_app(study, hosts=host_names(lan, address), any_day=any_day, small=small)
    prepare(study, app, say)
    say(sizes_text(app.state.sessions.copies.of(study.manifest), len(study.manifest.forms), small=small))
    door = listening_socket(EVERYWHERE if lan else HERE, port, say)
    base = (address or f"http://{own_address() if lan else HERE}:{door.getsockname()[1]}").rstrip("/")
    if lan or address is None:
        say(WHAT_LAN_OPENS if lan else WHAT_HERE_MEANS)
    _say_links(study, wanted, again, base, say)
    with suppress(KeyboardInterrupt):  # uvicorn passes Ctrl-C on when it has answered what was under way
        say(f"\nServing {base} until you press Ctrl-C. Ratings are kept in the study as they come in.")
        page_server(app, proxied=address is not None).run(sockets=[door])
    say("Stopped. Links that were given out work again when you serve at the same address.")


def open_for(study: Study, listener: str, any_day: bool = False, say: Say = print) -> None:
    """Open the page in this machine's browser for one listener, until interrupted.

    The link works only while this runs.
    """
    name = study.listener(listener).name
    app = create_app(study, hosts=host_names(False, None), any_day=any_day)
    prepare(study, app, say)
    door = listening_socket(HERE, 0, say)
    link = links.make(study, name, f"http://{HERE}:{door.getsockname()[1]}")
    threading.Thread(target=_open_browser, args=(link.address, say), daemon=True).start()
    say("The page opens in your browser. Come back here and press Ctrl-C when you have done.")
    try:
        with suppress(KeyboardInterrupt):
            page_server(app).run(sockets=[door])
    finally:
        end_links(study.log, [link.id])


def prepare(study: Study, app: Starlette, say: Say = print) -> None:
    """Make what the page needs before anybody waits for it: current renders, FLAC copies, level check."""
    manifest = study.require_fresh_renders()
    study.register(manifest)
    copies = app.state.sessions.copies
    sets = {manifest.set_id: manifest}
    contents = study.log.contents()
    for round_ in contents.rounds:
        if round_.complete is not None:
            continue
        if why := round_state(study, contents, round_.listener).stuck:
            say(
                f"{round_.listener}'s open round cannot go on, because {why}: it ends with the ratings it "
                "has when they come again, and a new round takes its place."
            )
        elif not is_lost(study, round_):
            sets[round_.render_set] = study.manifest_of(round_.render_set)
    say("Making and checking the copies that the page plays …")
    for one_set in sets.values():
        copies.of(one_set)
        copies.level_check(one_set)


def sizes_text(copies: Copies, forms: int, *, small: bool) -> str:
    """How much a listener's device fetches; said where links are made."""
    form_mb = travelling_bytes(copies) / 1e6
    much = f"Each form is {form_mb:.0f} MB to a listener, a round of {forms} forms {forms * form_mb:.0f} MB"
    if small:
        return f"{much}: slightly lossy, all forms alike."
    return f"{much}, lossless. For slow lines and mobile contracts: --small, about a fifth of it."


def page_server(app: Starlette, *, proxied: bool = False) -> uvicorn.Server:
    config = uvicorn.Config(
        app, log_level="warning", access_log=False, server_header=False, lifespan="off", ws="none",
        proxy_headers=proxied, timeout_keep_alive=IDLE_S, timeout_graceful_shutdown=LAST_ANSWERS_S,
    )  # fmt: skip
    return uvicorn.Server(config)


def listening_socket(host: str, port: int | None, say: Say) -> socket.socket:
    """A socket that takes connections from now on, which wait until the server answers them.

    Without a wish for a port it is the usual one, so that links stay good.
    """
    try:
        return socket.create_server((host, DEFAULT_PORT if port is None else port), backlog=WAITING)
    except (OSError, OverflowError):
        if port is not None:
            raise StudyError(
                f"port {port} cannot be used; it is taken or not allowed: name another with --port"
            ) from None
    say(f"Port {DEFAULT_PORT} is taken, so links that were given out before do not lead here.")
    return socket.create_server((host, 0), backlog=WAITING)


def _say_links(study: Study, wanted: Sequence[str], again: set[str], base: str, say: Say) -> None:
    given = {link.listener: link for link in links.links(study)}
    here_only = False
    for name in wanted:
        if name in given and name not in again:
            say(
                f"\n{name}: the link of {given[name].made_on} still works, at {base} "
                f'(it was shown once; `--renew "{name}"` makes a new one)'
            )
            continue
        # made beside any other: a second host that begins at this moment must not end what this one shows
        fresh = links.make(study, name, base, renew=name in again)
        say(f"\n{name}, and nobody else:\n{fresh.address}")
        if fresh.leads_here_only:
            here_only = True
        else:
            say(fresh.qr_lines())
    if here_only:
        say(NO_CODES)


def _all_names(study: Study) -> list[str]:
    names = [listener.name for listener in study.song.listeners]
    if not names:
        raise StudyError('song.toml lists no listeners; add for instance "ana = {}" under [listeners]')
    return names


def host_names(lan: bool, address: str | None) -> list[str]:
    """The names by which the page may be called."""
    if address is not None:
        return [_name_in(address), HERE, "localhost"]
    name = socket.gethostname()
    return [own_address(), name, f"{name}.local", HERE, "localhost"] if lan else [HERE, "localhost"]


def _name_in(address: str) -> str:
    """The host name of an address; without one every request would be refused, with "*" none would be."""
    with suppress(ValueError):
        url = urlsplit(address)
        if url.scheme in ("http", "https") and re.fullmatch(r"[\w.-]+", url.hostname or ""):
            return str(url.hostname)
    raise StudyError(
        f'"{address}" is not the address of a page; write it whole, for instance '
        "--address https://songs.example"
    )


def own_address() -> str:
    """This machine's address in its network. Nothing is sent: the system only chooses the way."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address for documentation (RFC 5737)
            return str(probe.getsockname()[0])
        except OSError:
            return HERE


def _open_browser(address: str, say: Say) -> None:
    if not webbrowser.open(address):
        say(f"No browser could be opened; open this yourself: {address}")
