"""What the terminal asks after a listen and at a round's end: ratings, comments, corrections, last
questions."""

from __future__ import annotations

import math

import click

from listening import cautions
from listening.counts import longest_stumble
from listening.rounds import Round, answers_of
from render.figures import clock_text
from sessions.records import ASPECTS, NOT_JUDGED, OVERALL, ListenRecord
from sessions.study import Study


def ask_heard_on() -> str:
    """What the listener listens on: one of the usual, or their own words."""
    click.echo("\nWhat are you listening on?")
    for number, name in enumerate(cautions.HEARD_ON, start=1):
        click.echo(f"  {number}  {name}")
    while True:
        answer = click.prompt("A number, or write it", prompt_suffix=": ").strip()
        if answer.isdigit() and 1 <= int(answer) <= len(cautions.HEARD_ON):
            return cautions.HEARD_ON[int(answer) - 1]
        if answer and not answer.isdigit():
            return str(answer[:100])
        click.echo(f"1 to {len(cautions.HEARD_ON)}, or a word of your own.")


def ask_about(study: Study, round_: Round, listen: ListenRecord) -> None:
    """All that is asked of a listen that was heard: whether it could be judged, its rating, its comments."""
    if listen.awaits_judgement and not _ask_judgement(study, round_, listen):
        click.echo(f"Not counted: {NOT_JUDGED}. This form will be heard again, from its top.")
        ask_moments(study, round_, listen)
        return
    _rate(study, listen.id, listen.code)
    ask_moments(study, round_, listen)
    text = ask("Anything about the whole? (Enter to pass)")
    study.log.comment(listen.id, text)


def ask_moments(study: Study, round_: Round, listen: ListenRecord) -> None:
    """A comment for each moment that was marked in a listen and has none yet."""
    said = {time_s for time_s, _text in listen.comments}
    for number, form_s in enumerate(listen.moments, start=1):
        if form_s not in said:
            at = place_text(round_, form_s)
            text = ask(f"What was it at moment {number}, at {at}? (Enter to pass)")
            study.log.comment(listen.id, text, form_s)


def review(study: Study, round_: Round) -> None:
    """The round's ratings and comments once more, before they are final."""
    while round_.next_demand is None and round_.state.rated:
        rated = sorted(round_.state.rated.values(), key=lambda x: x.id)
        by_code = {str(x.code): x.id for x in rated}
        click.echo("\nWhat you said in this round:")
        for listen in rated:
            click.echo(click.wrap_text(_said(round_, listen), 78, "  ", "       "))
        answer = ask("Enter = the ratings stand; or a code to correct")
        if not answer:
            return
        if answer in by_code:
            study.log.rate(by_code[answer], {OVERALL: _rating(f"{answer}: rating")})
            round_.refresh()
        else:
            click.echo("That is none of this round's codes.")


def ask_last_questions(study: Study, round_: Round) -> None:
    """The two questions at a round's end, once; they are sealed as the ratings are."""
    rated = {listen.code: listen.id for listen in round_.state.rated.values()}
    if round_.next_demand is not None or not rated or round_.record.answers is not None:
        return
    while True:
        words = ask(
            "\nIn which of these did you hear a cut? (codes, with spaces between; Enter = in none)"
        ).replace(",", " ").split()  # fmt: skip
        if all(word.isdecimal() and int(word) in rated for word in words):
            break
        click.echo(f"Codes of this round, please: {' '.join(map(str, sorted(rated)))}.")
    keep = _ask_keep(rated)
    answers = answers_of([int(word) for word in words], keep, rated)
    assert answers is not None
    study.log.answer_round(round_.record.id, answers)


def place_text(round_: Round, form_s: float) -> str:
    """A time after the first bar line as the time of the listen that was heard: "0:42"."""
    return clock_text(max(form_s + round_.manifest.lead_s, 0.0), tenths=False)


def _ask_keep(rated: dict[int, int]) -> int | str | None:
    while True:
        answer = ask("Which of these would you keep? (a code; none; Enter = no answer)").lower()
        if not answer:
            return None
        if answer.startswith("n"):
            return "none"
        if answer.isdecimal() and int(answer) in rated:
            return int(answer)
        click.echo(f"One of {' '.join(map(str, sorted(rated)))}, or none, or just Enter.")


def _ask_judgement(study: Study, round_: Round, listen: ListenRecord) -> bool:
    longest = longest_stumble(listen.late_s, listen.stumbles)
    click.echo(f"\nThe sound stumbled at {place_text(round_, longest.at_s)}.")
    while True:
        answer = ask("Could you still judge it? (y = it counts; n = hear it again)").lower()
        if answer[:1] in ("y", "n"):
            return study.log.judge(listen.id, answer.startswith("y"))


def _rate(study: Study, listen_id: int, code: int) -> None:
    click.echo(f"\n{code}: {cautions.QUESTION} ({cautions.SCALE})")
    study.log.rate(listen_id, {OVERALL: _rating("rating")})
    click.echo("Kept. More, if you like (0-100, or Enter to pass):")
    values = {aspect: _optional_rating(f"  {aspect}") for aspect in ASPECTS}
    study.log.rate(listen_id, {aspect: value for aspect, value in values.items() if value is not None})


def _said(round_: Round, listen: ListenRecord) -> str:
    """A listen of the round as its listener left it."""
    aspects = [f"{a} {listen.ratings[a]:g}" for a in ASPECTS if a in listen.ratings]
    comments = [
        f'"{text}"' if time_s is None else f'at {place_text(round_, time_s)} "{text}"'
        for time_s, text in listen.comments
    ]
    return f"{listen.code}: {listen.rating:g}" + "".join(f"; {words}" for words in [*aspects, *comments])


def _rating(label: str) -> float:
    value: float = click.prompt(label, value_proc=_from_0_to_100)
    return value


def _optional_rating(label: str) -> float | None:
    value: float | None = click.prompt(
        label, default="", show_default=False, value_proc=lambda text: _from_0_to_100(text) if text else None
    )
    return value


def _from_0_to_100(text: str) -> float:
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = math.nan
    if not 0 <= value <= 100:
        raise click.UsageError("A number from 0 to 100.")
    return value


def ask(text: str, suffix: str = ": ") -> str:
    """What is typed, without spaces around it; Enter alone gives ""."""
    return str(click.prompt(text, default="", show_default=False, prompt_suffix=suffix)).strip()
