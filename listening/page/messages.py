"""What the page and the server say to each other, as closed shapes with limits.

No shape holds a form's name, length, place in the song or file; codes are all that a page ever learns.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from listening.counts import Reason
from sessions.entries import LONGEST_COMMENT

MOST_COMMENTS = 200
Rating = Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)]
Seconds = Annotated[float, Field(ge=0, le=1e6, allow_inf_nan=False)]
Code = Annotated[int, Field(ge=100, le=999_999_999)]
Key = Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{16,64}$")]


def plain(text: str) -> str:
    """Text without control characters (line breaks and tabs stay), as any database takes it."""
    return "".join(c for c in text if c >= " " or c in "\n\t")


Text = Annotated[str, Field(max_length=LONGEST_COMMENT), AfterValidator(plain)]


class Shape(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Kept(Shape):
    """What was sent is on the disk."""

    kept: Literal[True] = True


class RatedCode(Shape):
    code: Code
    overall: Rating


class State(Shape):
    """Where the listener stands. `drawer` names this listener's place in the browser's own storage."""

    listener: str
    title: str
    drawer: str
    rounds_done: int
    rounds_planned: int
    stage: Literal["ready", "listen", "rate", "review", "rest", "done"]
    round: int | None = None
    forms_asked: int = 0
    forms_rated: int = 0
    code: Code | None = None
    ratings: tuple[RatedCode, ...] = ()
    text: str = ""


class Level(Shape):
    """A level check that may be fetched and heard; `ticket` comes back when it was."""

    ticket: Key
    rate: int


class SitDown(Shape):
    """The listener has heard the level check on this device."""

    heard_on: Annotated[str, Field(min_length=1, max_length=100), AfterValidator(plain)]
    level: Key


class Sitting(Shape):
    sitting: Key


class Due(Shape):
    """The one listen that is due."""

    code: Code
    rate: int
    place: int
    of: int
    long_sitting: bool


class Begin(Shape):
    """`key` is drawn by the page for each listen, so that a repeated request begins nothing twice."""

    sitting: Key
    key: Key


class Heard(Shape):
    heard_s: Seconds


class End(Shape):
    """How a listen ended: seconds heard by the sound's own clock, and seconds that passed around it."""

    heard_s: Seconds
    waited_s: Seconds = 0.0
    reason: Reason | None = None


class Ended(Shape):
    counted: bool
    why: str = ""


class Comment(Shape):
    text: Text
    time_s: Seconds | None = None


class Answer(Shape):
    """A rating with all that belongs to it. A second one with the same key changes nothing."""

    key: Key
    overall: Rating
    opening: Rating | None = None
    flow: Rating | None = None
    build: Rating | None = None
    ending: Rating | None = None
    comments: Annotated[tuple[Comment, ...], Field(max_length=MOST_COMMENTS)] = ()


class Close(Shape):
    """The ratings of this round stand."""

    round: Annotated[int, Field(ge=1, le=1_000_000)]


class Trouble(Shape):
    """Why a request was not done: a word for the page, a sentence for the listener."""

    word: str
    text: str
