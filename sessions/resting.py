"""Resting forms: candidates that hardly can be the best any more are left out of later rounds.

The decision rests on readings of the ratings at a round's beginning, and is written into the log with them,
so that it can be checked, and hosts that share a log agree. Pure: no model, no files.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

FEWEST_FORMS = 5  # a study of fewer forms rests none
STAY = 2  # forms that always play
HEARD = 4  # listens of every form by at least half of the listeners, before any rests
MAIN, SLOW, OWN_WAY, OWN_WAY_ALONE = 0.05, 0.07, 0.05, 0.04  # chances below which a form rests
RETURNS = 0.15  # chance, among all forms, above which a form plays again
KIND = "reading"  # the log's events with readings


@dataclass(frozen=True)
class FormReading:
    """A form's chances of being the best, 0-1: three readings among the forms that play, one among all."""

    main: float
    slow: float
    own_way: float
    among_all: float
    leads: bool  # it leads at least one of the three readings


@dataclass(frozen=True)
class PanelReading:
    """What the ratings say at a moment: the verdict's state, and the forms by content hash."""

    state: str
    may_stop: bool
    heard: int  # listens of every form that plays, reached by at least half of the listeners
    forms: Mapping[str, FormReading]

    def as_detail(self) -> dict[str, Any]:
        """Plain values for the log."""
        return asdict(self)


def forms_at_rest(before: Collection[str], reading: PanelReading, listeners: int) -> tuple[str, ...]:
    """Content hashes of the forms that rest from now on, of which `before` rested until now.

    A form rests whose chance is small in all three readings and that leads none of them; it plays again when
    its chance among all forms rises above RETURNS. STAY forms always play: the likeliest ones.
    """
    forms = reading.forms
    if len(forms) < FEWEST_FORMS:
        return ()
    own_way = OWN_WAY_ALONE if listeners == 1 else OWN_WAY
    resting = {key for key in before if key in forms and forms[key].among_all <= RETURNS}
    if reading.heard >= HEARD:
        resting |= {
            key
            for key, form in forms.items()
            if key not in before
            and not form.leads
            and (form.main < MAIN and form.slow < SLOW and form.own_way < own_way)
        }
    for key in sorted(resting, key=lambda key: (-forms[key].among_all, key)):
        if len(forms) - len(resting) >= STAY:
            break
        resting.discard(key)
    return tuple(sorted(resting))


def last_reading(events: Sequence[Any]) -> Mapping[str, Any] | None:
    """The detail of the log's last event with a reading."""
    return next((event.detail for event in reversed(events) if event.kind == KIND), None)


def resting_hashes(events: Sequence[Any]) -> tuple[str, ...]:
    """Content hashes of the forms that rest by the log's last decision."""
    detail = last_reading(events)
    return tuple(detail["resting"]) if detail else ()


def may_stop(events: Sequence[Any]) -> bool:
    """Whether, by the last reading, listening may stop: clear, safe to choose or even."""
    detail = last_reading(events)
    return bool(detail and detail["may_stop"])
