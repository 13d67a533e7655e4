"""Results and arguments of actions on a sheet."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol, TypeVar

from listening.maker.workspace import TextEdit, Workspace
from render.errors import PageError

LONGEST_TEXT = 4000


@dataclass(frozen=True)
class Done:
    """An action was taken: a sentence for the page, and what the sheet should show from now on."""

    notice: str = ""
    show: Mapping[str, str] = field(default_factory=dict)


class Named(Protocol):
    """Anything of song.toml that is known by its name."""

    @property
    def name(self) -> str: ...


T = TypeVar("T", bound=Named)
Action = Callable[[Workspace, Mapping[str, Any], str], Done]  # workspace, arguments, version -> result


def changed(
    work: Workspace, version: str, words: str, edit: TextEdit, *values: Any,
    show: Mapping[str, str] | None = None, **more: Any,
) -> Done:  # fmt: skip
    """One edit of song.toml, as `Workspace.change` makes it."""
    work.change(words, version, edit, *values, **more)
    return Done(show=show or {})


def named(items: Iterable[T], name: str, what: str) -> T:
    """The section, form or listener of a name.

    Raises:
        PageError: 409, there is none (any more).
    """
    for item in items:
        if item.name == name:
            return item
    raise PageError(409, "gone", f"There is no {what} “{name}” any more.")


def text(args: Mapping[str, Any], name: str, *, empty: bool = False) -> str:
    """A text argument, stripped.

    Raises:
        PageError: it is missing, no text, or too long.
    """
    value = args.get(name)
    if not isinstance(value, str) or len(value) > LONGEST_TEXT or (not value.strip() and not empty):
        raise PageError(422, "shape", f"{_asked(name)}: write something here.")
    if any(ord(sign) < 32 and sign not in "\n\t" for sign in value):
        raise PageError(422, "shape", f"{_asked(name)}: there is a sign in it that cannot be kept.")
    return value.strip()


def number(args: Mapping[str, Any], name: str, low: float, high: float) -> float:
    """A number argument within limits; a decimal comma is taken.

    Raises:
        PageError: it is missing, no number, or out of bounds.
    """
    value = args.get(name)
    try:
        figure = float(value.replace(",", ".") if isinstance(value, str) else value)  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
        figure = math.nan
    if not low <= figure <= high:
        raise PageError(422, "shape", f"{_asked(name)}: a number from {low:g} to {high:g} stands here.")
    return figure


def whole(args: Mapping[str, Any], name: str, low: int, high: int) -> int:
    """A whole number within limits.

    Raises:
        PageError: as for `number`.
    """
    figure = number(args, name, low, high)
    if figure != int(figure):
        raise PageError(422, "shape", f"{_asked(name)}: a whole number stands here.")
    return int(figure)


def flag(args: Mapping[str, Any], name: str) -> bool:
    """A tick: true, or missing."""
    return args.get(name) is True


def texts(args: Mapping[str, Any], name: str, most: int) -> list[str]:
    """A list of texts.

    Raises:
        PageError: it is none, or too long.
    """
    value = args.get(name)
    if not isinstance(value, list) or len(value) > most or not all(isinstance(x, str) for x in value):
        raise PageError(422, "shape", f"{_asked(name)}: a list stands here.")
    return [text({name: x}, name, empty=True) for x in value]


def _asked(name: str) -> str:
    """What is asked for, as a sentence begins: "Prior listens"."""
    return name.replace("_", " ").capitalize()
