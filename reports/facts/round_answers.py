"""Answers to the questions at a round's end: where a cut was heard, and which form would be kept."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sessions.records import LogContents


@dataclass(frozen=True)
class FormAnswers:
    """For one form: the listens after which its listener was asked, those in which a cut was heard, and the
    rounds after which it would be kept."""

    form: str
    listens: int
    cuts: int
    kept: int


@dataclass(frozen=True)
class AnswerCounts:
    """The answers of all rounds before the opening; of `rounds`, `none` and `silent` named no form."""

    forms: tuple[FormAnswers, ...]
    rounds: int
    none: int
    silent: int

    @property
    def cuts(self) -> int:
        return sum(form.cuts for form in self.forms)


def round_answers(
    contents: LogContents, names: Mapping[int, str], forms: Sequence[str]
) -> AnswerCounts | None:
    """The answers by form (`names`: form id of the log -> name); None where nobody was asked yet."""
    asked = {round_.id: round_.answers for round_ in contents.rounds if round_.answers is not None}
    listens = [
        x for x in contents.listens if x.round_id in asked and x.heard_to_the_end and not x.after_opening
    ]
    answers = [asked[round_id] for round_id in sorted({x.round_id for x in listens})]
    if not answers:
        return None
    cut = {listen_id for one in answers for listen_id in one.cuts}
    kept = [one.kept for one in answers]
    return AnswerCounts(
        forms=tuple(
            FormAnswers(
                form=name,
                listens=len(own := [x.id for x in listens if names[x.form_id] == name]),
                cuts=len(cut.intersection(own)),
                kept=sum(listen_id in own for listen_id in kept),
            )
            for name in forms
        ),
        rounds=len(answers),
        none=sum(one.keep == "none" for one in answers),
        silent=sum(one.keep == "no answer" for one in answers),
    )
