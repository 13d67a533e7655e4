"""The listening page served from the maker's page: to this machine or the network, until it is stopped."""

from __future__ import annotations

import threading
from dataclasses import dataclass

import uvicorn

from listening import links
from listening.links import FreshLink
from listening.maker.workspace import Workspace
from listening.page import host
from listening.page.server import create_app
from listening.page.session import PageSessions
from render.errors import StudyError
from render.steps import Step
from sessions.links import end_links
from sessions.study import Study


@dataclass(frozen=True)
class Hosted:
    """A page that is served: where, and whether the network reaches it."""

    base: str
    lan: bool
    lines: tuple[str, ...]
    server: uvicorn.Server
    thread: threading.Thread
    sessions: PageSessions


class Hosts:
    """The listening page as the maker's page serves it: one at a time, beside whatever else serves it."""

    def __init__(self, work: Workspace) -> None:
        self._work = work
        self._lock = threading.Lock()
        self._hosted: Hosted | None = None
        self._own: list[tuple[Study, FreshLink]] = []
        self.any_day = False  # whether rounds may begin before their day
        self.fresh: dict[str, FreshLink] = {}  # links made here, shown until they are hidden

    @property
    def now(self) -> Hosted | None:
        """What is served at this moment."""
        hosted = self._hosted
        return hosted if hosted is not None and hosted.thread.is_alive() else None

    def start(self, lan: bool, small: bool, step: Step) -> Hosted:
        """Serve the page (`small`: slightly lossy copies); what it plays is made and checked first.

        Raises:
            StudyError: it is served already, or the renders are not current.
        """
        with self._lock:
            if self.now is not None:
                raise StudyError("the page is served already; stop it first to serve it otherwise")
            study = self._work.study()
            app = create_app(study, hosts=host.host_names(lan, None), small=small, any_day=self.any_day)
            lines: list[str] = []

            def say(text: str) -> None:
                lines.append(text)
                step(text.strip().splitlines()[0], 0, 0)

            host.prepare(study, app, say)
            door = host.listening_socket(host.EVERYWHERE if lan else host.HERE, None, lines.append)
            name = host.own_address() if lan else host.HERE
            server = host.page_server(app)
            thread = threading.Thread(target=server.run, kwargs={"sockets": [door]}, daemon=True)
            thread.start()
            sessions: PageSessions = app.state.sessions
            copies = sessions.copies.of(study.manifest)
            sizes = host.sizes_text(copies, len(study.manifest.forms), small=small).partition(" For slow")[0]
            said = (sizes, *(line for line in lines if "taken" in line or "round" in line))
            base = f"http://{name}:{door.getsockname()[1]}"
            self._hosted = Hosted(base, lan, said, server, thread, sessions)
        self._work.touch()
        return self._hosted

    def let_any_day(self, any_day: bool) -> None:
        """Let rounds begin before their day, or not; it holds from the next round that begins."""
        self.any_day = any_day
        if (hosted := self.now) is not None:
            hosted.sessions.any_day = any_day
        self._work.touch()

    def stop(self) -> None:
        """Serve no longer; links stay good for the next time, those of this maker's own listening end."""
        with self._lock:
            hosted, self._hosted = self._hosted, None
            own, self._own = self._own, []
        for study, link in own:
            end_links(study.log, [link.id])
        if hosted is not None:
            hosted.server.should_exit = True
            hosted.thread.join(timeout=10)
            self._work.touch()

    def link(self, name: str, *, renew: bool) -> FreshLink:
        """A private link for a listener; with `renew` their older ones end.

        Raises:
            StudyError: nothing is served; SongError: song.toml has no such listener.
        """
        hosted = self._require()
        made = links.make(self._work.study(), name, hosted.base, renew=renew)
        self.fresh[made.listener] = made
        self._work.touch()
        return made

    def own_round(self, name: str) -> str:
        """The address of the listening page for somebody at this machine; it ends with what is served."""
        hosted = self._require()
        study = self._work.study()
        base = f"http://{host.HERE}:{hosted.base.rsplit(':', 1)[1]}"
        link = links.make(study, name, base)
        self._own.append((study, link))
        return link.address

    def withdraw(self, name: str) -> int:
        """End all links of a listener; returns how many worked until now."""
        self.fresh.pop(name, None)
        ended = links.withdraw(self._work.study(), [name])
        self._work.touch()
        return ended

    def _require(self) -> Hosted:
        if self.now is None:
            raise StudyError(
                "nothing is served yet: a link leads nowhere until the page is served; begin that first"
            )
        return self.now
