"""Answers to "Which of these would you keep?" at the rounds' ends; not used for the verdict."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sessions.records import LogContents


@dataclass(frozen=True)
class KeptAnswers:
    """Finished rounds by what was answered; `forms` counts how often each form was kept, most often first."""

    forms: Mapping[str, int]
    heard: Mapping[str, int]  # answered rounds in which the form was heard: forms that rested have fewer
    none: int
    unanswered: int

    @property
    def answered(self) -> int:
        return sum(self.forms.values()) + self.none

    @property
    def sentence(self) -> str:
        """All of it in one sentence; nothing where nobody was asked or answered."""
        if not self.answered:
            return ""
        told = [
            f'"{form}" in {count} of {self.heard[form]} rounds' for form, count in self.forms.items() if count
        ]
        told += [f"none of them in {self.none}"] if self.none else []
        left = f"; {self.unanswered} without an answer" if self.unanswered else ""
        return (
            f"Asked at a round's end which they would keep, listeners kept {', '.join(told)}{left}. This "
            "stands beside the verdict and is no part of it."
        )


def kept_answers(contents: LogContents, names: Mapping[int, str]) -> KeptAnswers:
    """Counts the answers of finished rounds; `names` are the forms' names in reports, by id in the log."""
    form_of = {listen.id: listen.form_id for listen in contents.listens}
    kept: dict[str, int] = {}
    heard: dict[str, int] = {}
    none = unanswered = 0
    for round_ in contents.rounds:
        if not round_.complete:
            continue
        answers = round_.answers
        if answers is None or answers.keep == "no answer":
            unanswered += 1
            continue
        for form_id in round_.order:
            heard[names[form_id]] = heard.get(names[form_id], 0) + 1
        if answers.keep == "none":
            none += 1
        elif answers.kept is not None:
            name = names[form_of[answers.kept]]
            kept[name] = kept.get(name, 0) + 1
    order = sorted(kept, key=lambda name: (-kept[name], name))
    return KeptAnswers({name: kept[name] for name in order}, heard, none, unanswered)
