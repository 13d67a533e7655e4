"""Request and response models of the listening page's API, closed and with limits.

No model holds a form's name, place in the song, length or file.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from listening.counts import Reason
from sessions.entries import LONGEST_COMMENT
from sessions.records import Stumble

MOST_COMMENTS = 200
MOST_STUMBLES = 1000
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


class Comment(Shape):
    text: Text
    time_s: Seconds | None = None


class StumbleInListen(Shape):
    """Sound that was late or missing: its place in the listen and its length, in seconds."""

    at_s: Seconds
    length_s: Seconds


def comments_in_form(
    comments: Sequence[Comment], lead_s: float, seconds: float
) -> list[tuple[float | None, str]]:
    """Comments with their times after the form's first bar line, which lies at `lead_s` of its `seconds`."""
    return [(None if c.time_s is None else min(c.time_s, seconds) - lead_s, c.text) for c in comments]


def stumbles_in_form(stumbles: Sequence[StumbleInListen], lead_s: float, seconds: float) -> list[Stumble]:
    """The same for what was late or missing."""
    return [Stumble(min(x.at_s, seconds) - lead_s, x.length_s) for x in stumbles]


class Said(Shape):
    """What a listener says of one form: the rating asked for, the optional ones, comments."""

    overall: Rating
    opening: Rating | None = None
    flow: Rating | None = None
    build: Rating | None = None
    ending: Rating | None = None
    comments: Annotated[tuple[Comment, ...], Field(max_length=MOST_COMMENTS)] = ()


class ReviewedListen(Said):
    """What the listener said of one form of the round, for the review at its end."""

    code: Code


class ListenerState(Shape):
    """Where the listener stands. `drawer` names this listener's place in the browser's own storage.

    Stages: "ready" (the next round may begin), "listen", "judge" (`code` stumbled: POST .../judged says
    whether it could be judged), "rate" (`code` waits for its rating), "review" (corrections, then the
    questions at the round's end unless `questions_answered`, then close), "rest", "done".

    `forms_asked`, `minutes` (of sound in the whole round) and `form_bytes` (a copy's size, equal for all
    forms) are told before the round too. `next_sound` is where the copy that is heard next can be fetched
    ahead; None while it is not ready.
    """

    listener: str
    title: str
    drawer: str
    rounds_done: int
    rounds_planned: int
    stage: Literal["ready", "listen", "judge", "rate", "review", "rest", "done"]
    round: int | None = None
    forms_asked: int = 0
    forms_rated: int = 0
    minutes: int | None = None
    form_bytes: int | None = None
    next_sound: str | None = None
    code: Code | None = None
    ask: StumbleInListen | None = None
    ratings: tuple[ReviewedListen, ...] = ()
    questions_answered: bool = False
    text: str = ""


class Level(Shape):
    """A level check that may be fetched and heard; `ticket` comes back when it was."""

    ticket: Key
    rate: int


class SitDown(Shape):
    """The listener has heard the level check on this device."""

    heard_on: Annotated[str, Field(min_length=1, max_length=100), AfterValidator(plain)]
    level: Key


class SittingTicket(Shape):
    sitting: Key


class DueListen(Shape):
    """The one listen that is due. `sound` is where its copy lies: the same for every listen of this form in
    this round, so that a copy which was fetched ahead, or before a void, need not be fetched again. `mask`
    (hexadecimal digits) unmasks it.
    """

    code: Code
    sound: str
    bytes: int
    mask: str
    rate: int
    place: int
    of: int
    long_sitting: bool


class Begin(Shape):
    """`key` is drawn by the page for each listen, so that a repeated request begins nothing twice."""

    sitting: Key
    key: Key


class HeardSoFar(Shape):
    heard_s: Seconds


class End(Shape):
    """How a listen ended: seconds heard by the sound's own clock, and seconds that passed around it.

    `late_s` is what was late or missing of the sound in all, `stumbles` where.
    """

    heard_s: Seconds
    waited_s: Seconds = 0.0
    reason: Reason | None = None
    late_s: Seconds = 0.0
    stumbles: Annotated[tuple[StumbleInListen, ...], Field(max_length=MOST_STUMBLES)] = ()


class Ended(Shape):
    """What became of a listen: counted, or not and why, or `ask`: the listener must say (POST .../judged)
    whether it could be judged. `advice` is for a listener whose sound failed twice in a row.
    """

    counted: bool
    why: str = ""
    ask: StumbleInListen | None = None
    advice: str = ""


class Judged(Shape):
    """Whether a listen that stumbled could still be judged: False hears it again."""

    could_judge: bool


class Answer(Said):
    """A rating with all that belongs to it. A second one with the same key changes nothing."""

    key: Key


class Questions(Shape):
    """Answers at the round's end: codes in which a cut was heard, and the one to keep ("none": none of them;
    None: no answer).
    """

    cuts: Annotated[tuple[Code, ...], Field(max_length=100)] = ()
    keep: Code | Literal["none"] | None = None


class Close(Shape):
    """The ratings of this round stand."""

    round: Annotated[int, Field(ge=1, le=1_000_000)]


class Trouble(Shape):
    """Why a request was not done: a word for the page, a sentence for the listener."""

    word: str
    text: str
