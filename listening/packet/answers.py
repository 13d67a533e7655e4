"""The answer file of a packet: its shape, and whether it is whole and answers a packet of this study.

    {"fairhearing answers": 1, "ticket": TEXT, "signature": HEX, "answers": TEXT, "sha256": HEX}

`ticket` and `answers` are JSON texts within the JSON, so that what was signed and what was summed are
exact bytes. The signature shows that the study made the ticket; the sum shows that nothing was damaged
on the way. Nothing can show that the listener did not change their own answers.
"""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from listening.counts import Reason
from listening.page import messages as s
from listening.tickets import is_signed, sign
from render.errors import AnswersError
from sessions.plan import seed_sha256
from sessions.study import Study

MOST_BYTES = 20_000_000
_AGAIN = "ask for the file once more"


def _of_our_time(when: datetime) -> datetime:
    """Refuse times so far off that other zones' clocks cannot tell them."""
    if not 2000 <= when.year <= 2200:
        raise ValueError("a time of this century was expected")
    return when


When = Annotated[AwareDatetime, AfterValidator(_of_our_time)]
Minutes = Annotated[int, Field(ge=-720, le=840)]


class _Closed(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)


class Ticket(_Closed):
    """What a packet was made for: `codes` holds, for each form in order, the codes it may be heard under."""

    study: str
    listener: str
    round: int
    codes: tuple[tuple[s.Code, ...], ...]
    made: When


class GivenRating(_Closed):
    aspect: Literal["overall", "opening", "flow", "build", "ending"]
    value: s.Rating
    at: When


class GivenListen(_Closed):
    """One listen as the packet noted it; `reason` is None if it was heard to its end.

    `late_s` is what was late or missing in all, `stumbles` where; `could_judge` what its listener said of
    that, where they were asked.
    """

    code: s.Code
    heard_on: Annotated[str, Field(max_length=100), AfterValidator(s.plain)]
    minutes_east: Minutes
    began: When
    ended: When
    heard_s: s.Seconds
    reason: Reason | None
    late_s: s.Seconds = 0.0
    stumbles: Annotated[tuple[s.StumbleInListen, ...], Field(max_length=s.MOST_STUMBLES)] = ()
    could_judge: bool | None = None
    ratings: Annotated[tuple[GivenRating, ...], Field(max_length=500)] = ()
    comments: Annotated[tuple[s.Comment, ...], Field(max_length=s.MOST_COMMENTS)] = ()


class Answers(_Closed):
    """What a packet's listener did; `questions` are those at the round's end, once they were answered."""

    listens: Annotated[tuple[GivenListen, ...], Field(max_length=2000)]
    questions: s.Questions | None = None


class AnswerFile(_Closed):
    version: Literal[1] = Field(alias="fairhearing answers")
    ticket: str
    signature: str
    answers: str
    sha256: str


def make_ticket(study: Study, listener: str, round_number: int, codes: list[list[int]]) -> tuple[str, str]:
    """A ticket's text and the study's signature under it."""
    ticket = Ticket(
        study=seed_sha256(study.log.secret("plan_seed"))[:16], listener=listener, round=round_number,
        codes=tuple(tuple(some) for some in codes), made=study.clock().astimezone(UTC).replace(microsecond=0),
    )  # fmt: skip
    text = ticket.model_dump_json()
    return text, sign(study.log.secret("packet_key"), "packet", text)


def read_answers(study: Study, path: Path) -> tuple[Ticket, Answers]:
    """A file's ticket and answers, checked.

    Raises:
        AnswersError: it is no answer file, is damaged, or belongs to no packet of this study.
    """
    try:
        if path.stat().st_size > MOST_BYTES:
            raise AnswersError(f"{path} is far too large for an answer file; choose the file the page saved")
        content = path.read_bytes()
    except OSError as error:
        raise AnswersError(f"{path} cannot be read: {error.strerror}; name the file that came back") from None
    try:
        file = AnswerFile.model_validate_json(content)
    except ValidationError:
        raise AnswersError(
            f"{path} is not an answer file, or was cut short on its way; expected the .json file that the "
            f"packet saved: {_AGAIN}"
        ) from None
    if hashlib.sha256(file.answers.encode()).hexdigest() != file.sha256:
        raise AnswersError(
            f"{path} was damaged on its way (its answers do not match their SHA-256); {_AGAIN}, "
            "as an attachment rather than as text"
        )
    if not is_signed(file.signature, study.log.secret("packet_key"), "packet", file.ticket):
        raise AnswersError(
            f"{path} does not answer a packet of this study, or its ticket was changed; look whether it "
            "belongs to another study, or make a new packet"
        )
    try:
        return Ticket.model_validate_json(file.ticket), Answers.model_validate_json(file.answers)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False, include_context=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        raise AnswersError(f"{path} cannot be understood at {where}: {first['msg']}; {_AGAIN}") from None


def in_window(when: datetime, ticket: Ticket, now: datetime) -> bool:
    """Whether a time given by the listener's device is plausible: between packet and now, a day either way
    for clocks that are a little off."""
    return (ticket.made - when).total_seconds() < 86400 and (when - now).total_seconds() < 86400
