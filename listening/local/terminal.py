"""A round in the terminal: one form at a time, whole, then its rating, its comments, then the next.

Nothing on the screen tells a form's name, length or place in the song.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import click

from listening import cautions
from listening.local.device import Heard, Playing, require_device
from listening.local.keys import ESCAPE, INTERRUPT, Keys, single_keys
from listening.local.level import level_check_file
from listening.round_state import round_state, set_aside_text
from listening.rounds import Listen, Round, enter_round, require_round
from listening.status import listen_command
from render.errors import ListenError
from sessions.records import ASPECTS, OVERALL, ListenRecord
from sessions.study import Study

KEEP_KEYS = " cC"
STOP_KEYS = f"qQ{ESCAPE}{INTERRUPT}"


class Leave(Exception):
    """The listener leaves the round here; it waits."""


@dataclass(frozen=True)
class Comfort:
    """How a listener wants to listen: the device, and what it plays on (asked when None)."""

    device: str | None = None
    heard_on: str | None = None
    any_day: bool = False


def listen(study: Study, listener: str, comfort: Comfort) -> None:
    """The listener's open or next round, to its end or until they leave it."""
    try:
        require_round(study, listener, any_day=comfort.any_day)
    except ListenError:
        _say_abandoned(study, listener)
        raise
    require_device(comfort.device)
    round_ = enter_round(study, listener, any_day=comfort.any_day)
    _welcome(study, round_)
    try:
        if round_.unrated is not None:
            _finish_unrated(study, round_, round_.unrated)
            round_ = _go_on(study, round_, comfort)
        if round_.next_demand is not None:
            sitting = study.log.sit_down(round_.listener, comfort.heard_on or _ask_heard_on(), "device")
            _check_level(study, round_, comfort.device)
            _hear_all(study, round_, sitting, comfort.device)
        _review(study, round_)
    except (Leave, click.Abort, KeyboardInterrupt):
        _farewell(round_)
        return
    opened = round_.finish()
    if _say_abandoned(study, round_.listener):
        return
    click.echo(f"\nRound {round_.number} is done. Thank you, {round_.listener}.")
    if opened:
        click.echo("It was the last one of the plan: the study is open. See `fairhearing report`.")
    else:
        _say_next(study, round_.listener)


def _go_on(study: Study, before: Round, comfort: Comfort) -> Round:
    """The round that comes after a rating: the same, unless what is left of it can no longer be played."""
    round_ = enter_round(study, before.listener, any_day=comfort.any_day)
    if round_.record.id != before.record.id:
        _say_abandoned(study, round_.listener)
    return round_


def _say_abandoned(study: Study, listener: str) -> bool:
    """Tell a listener whose last round could not go on; whether there was anything to tell."""
    contents = study.log.contents(listener)
    text = set_aside_text(round_state(study, contents, listener), contents)
    if text:
        click.echo(f"\n{click.wrap_text(text, width=78)}")
    return bool(text)


def _welcome(study: Study, round_: Round) -> None:
    heard, asked = len(round_.rated), len(round_.demands)
    click.echo(f"\n{study.song.title}. Hello, {round_.listener}.")
    _say_abandoned(study, round_.listener)
    click.echo(
        f"Round {round_.number} of {study.song.rounds}: {asked} forms, one at a time, each from its top to "
        "its end."
    )
    if heard:
        click.echo(f"You have rated {heard} of them; this goes on where you left.")
    click.echo(
        "\nEach form has a code; which is which stays hidden. After it ends you rate it from 0 to 100.\n"
        "There is no skipping: a form can only be judged by all that leads to its end.\n"
    )
    click.echo(click.wrap_text(cautions.CAUTION, width=78))


def _finish_unrated(study: Study, round_: Round, heard: ListenRecord) -> None:
    """Ask for what was heard last time but not rated before the program ended."""
    click.echo(f"\nYou heard {heard.code} to its end last time, but it has no rating yet.")
    _rate(study, heard.id, heard.code)
    _comments(study, round_, heard.id, [])


def _ask_heard_on() -> str:
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


def _check_level(study: Study, round_: Round, device: str | None) -> None:
    click.echo("\nLevel check: a loud passage of the song, which fades in. Turn your volume down first.")
    click.prompt("Enter to hear it", default="", show_default=False, prompt_suffix=" ")
    with level_check_file(study.folder, round_.manifest) as path:
        while True:
            _play(path, device, "level check … set your volume (q stops it)")
            answer = click.prompt(
                "Heard it, and is it comfortable? (y = yes, go on; Enter = again; q = leave)",
                default="", show_default=False, prompt_suffix=" ",
            ).strip().lower()  # fmt: skip
            if answer.startswith("y"):
                click.echo("Leave the level as it is until the round is over.")
                return
            if answer.startswith("q"):
                raise Leave


def _hear_all(study: Study, round_: Round, sitting: int, device: str | None) -> None:
    began = study.clock()
    while (demand := round_.next_demand) is not None:
        if (study.clock() - began).total_seconds() > cautions.LONG_SITTING_S:
            click.echo("\n" + click.wrap_text(cautions.LONG_SITTING, width=78))
        answer = click.prompt(
            f"\nNext: form {len(round_.rated) + 1} of {len(round_.demands)} in this round. "
            "Enter = from the top, q = leave", default="", show_default=False, prompt_suffix=" ",
        )  # fmt: skip
        if answer.strip().lower().startswith("q"):
            raise Leave
        _hear_one(study, round_, round_.begin(demand, sitting), device)
        round_.refresh()


def _hear_one(study: Study, round_: Round, listen: Listen, device: str | None) -> None:
    moments: list[float] = []

    def keep_moment(keys: str, playing: Playing) -> None:
        if any(key in KEEP_KEYS for key in keys):
            moments.append(playing.time_s)
            click.echo(f"      moment {len(moments)} kept for a comment")

    sign = f"{listen.code} is playing …  (space keeps this moment, q stops)"
    try:
        heard = _play(listen.demand.path, device, sign, keep_moment)
    except ListenError:
        study.log.end_listen(listen.id, 0, "the sound device failed")
        raise
    study.log.end_listen(listen.id, heard.delivered_frames, heard.void_reason)
    if heard.void_reason:
        click.echo(f"Not counted: {heard.void_reason}. This form will be heard again, from its top.")
        if heard.stopped:
            return
        raise Leave
    click.echo(f"{listen.code} has ended.")
    _rate(study, listen.id, listen.code)
    _comments(study, round_, listen.id, moments)


def _play(
    path: Path, device: str | None, sign: str, on_keys: Callable[[str, Playing], None] | None = None
) -> Heard:
    """Play a file under `sign`; keys stop it, and are shown to `on_keys`."""
    playing = Playing(path, device)
    with single_keys() as keys:
        click.echo(f"\n  ♪ {sign}")

        def look(now: Playing) -> None:
            pressed = _pressed(keys)
            if pressed and on_keys is not None:
                on_keys(pressed, now)
            if any(key in STOP_KEYS for key in pressed):
                now.stop()

        return playing.run(look)


def _pressed(keys: Keys) -> str:
    try:
        return keys.pressed()
    except KeyboardInterrupt:
        return INTERRUPT


def _rate(study: Study, listen_id: int, code: int) -> None:
    click.echo(f"\n{code}: {cautions.QUESTION} ({cautions.SCALE})")
    rating = _ask_number("rating", required=True)
    assert rating is not None
    study.log.rate(listen_id, {OVERALL: rating})
    click.echo("Kept. More, if you like (0-100, or Enter to pass):")
    values = {aspect: _ask_number(f"  {aspect}", required=False) for aspect in ASPECTS}
    study.log.rate(listen_id, {aspect: value for aspect, value in values.items() if value is not None})


def _ask_number(label: str, *, required: bool) -> float | None:
    while True:
        text = click.prompt(label, default="" if not required else None, show_default=False).strip()
        if not text and not required:
            return None
        try:
            value = float(text.replace(",", "."))
        except ValueError:
            value = -1.0
        if 0 <= value <= 100:
            return value
        click.echo("A number from 0 to 100.")


def _comments(study: Study, round_: Round, listen_id: int, moments: list[float]) -> None:
    for number, moment in enumerate(moments, start=1):
        text = click.prompt(
            f"What was it at moment {number}? (Enter to pass)", default="", show_default=False
        )
        study.log.comment(listen_id, text, round_.form_time_s(moment))
    text = click.prompt("Anything about the whole? (Enter to pass)", default="", show_default=False)
    study.log.comment(listen_id, text)


def _review(study: Study, round_: Round) -> None:
    """The round's ratings once more, before they are final."""
    while round_.next_demand is None and round_.rated:
        by_code = {str(x.code): x.id for x in round_.rated.values()}
        shown = ", ".join(
            f"{x.code}: {x.rating:g}" for x in sorted(round_.rated.values(), key=lambda x: x.id)
        )
        answer = click.prompt(
            f"\nYour ratings of this round: {shown}\nEnter = they stand; or a code to correct",
            default="", show_default=False,
        ).strip()  # fmt: skip
        if not answer:
            return
        if answer in by_code:
            value = _ask_number(f"{answer}: rating", required=True)
            assert value is not None
            study.log.rate(by_code[answer], {OVERALL: value})
            round_.refresh()
        else:
            click.echo("That is none of this round's codes.")


def _farewell(round_: Round) -> None:
    round_.refresh()
    left = len(round_.demands) - len(round_.rated)
    click.echo(
        f"\nAll you rated is kept. {left} of round {round_.number} wait for you: "
        f"`{listen_command(round_.listener)}` goes on from here, on any day."
    )


def _say_next(study: Study, listener: str) -> None:
    due = round_state(study, study.log.contents(listener), listener).due
    wait = due.waits_for() if due is not None else None
    if due is None:
        click.echo("You have done all your rounds. The others' are still open, so the study stays sealed.")
    elif wait == "day":
        click.echo(f"Your next round is due on {due.day.isoformat()}.")
    elif wait == "hour":
        click.echo(f"Your next round can begin at {due.not_before:%H:%M}, after a rest.")
