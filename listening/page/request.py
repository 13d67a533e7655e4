"""One request of a listener: session state and their part of the log, read once."""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass, field
from functools import cached_property

from listening.round_state import RoundState, next_round_text, round_state
from listening.rounds import Demand, Round, renders_of
from render.errors import PageError
from render.renders.manifest import Manifest
from sessions.records import ListenRecord, LogContents
from sessions.study import Study


@dataclass
class SessionState:
    """Per-listener session state, kept between requests."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    due: tuple[int, int, int] | None = None  # round, form and the code reserved for it
    levels: OrderedDict[str, float] = field(default_factory=OrderedDict)  # ticket -> when it was given out
    listen_id: int | None = None
    code: int | None = None
    begin_key: str = ""
    began: float = 0.0
    heard_s: float = 0.0


class ListenerRequest:
    """One request of a listener: the study in their time zone, and their part of the log, read once."""

    def __init__(self, study: Study, listener: str, session: SessionState) -> None:
        self.study = study
        self.listener = listener
        self.session = session

    @cached_property
    def contents(self) -> LogContents:
        return self.study.log.contents(self.listener)

    @cached_property
    def state(self) -> RoundState:
        return round_state(self.study, self.contents, self.listener)

    @cached_property
    def round(self) -> Round:
        """The open round.

        Raises:
            PageError: there is none.
        """
        if not self.state.goes_on:
            raise PageError(409, "stale", next_round_text(self.state) or "No round is open.")
        return Round(self.study, self.listener, self.contents)

    @property
    def to_hear(self) -> list[Demand]:
        """The forms of the round that are still to be heard, in order; one that stumbled may be among
        them."""
        waiting = self.state.waiting
        heard = None if waiting is None or waiting.awaits_judgement else waiting.form_id
        return [demand for demand in self.round.unrated if demand.form_id != heard]

    def listen(self, code: int) -> ListenRecord:
        for listen in self.contents.listens:
            if listen.code == code and listen.means == "page":
                return listen
        raise PageError(404, "gone", "There is no such listen.")

    def manifest_of(self, listen: ListenRecord) -> Manifest:
        """What a listen was played from, or the renders in its place."""
        return renders_of(self.study, next(r for r in self.contents.rounds if r.id == listen.round_id))

    def log_changed(self) -> None:
        """Read the log again when it is next asked for."""
        for name in ("contents", "state", "round"):
            self.__dict__.pop(name, None)
