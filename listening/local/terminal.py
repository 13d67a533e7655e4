"""A round in the terminal: one form at a time, whole, then its rating, its comments, then the next.

Nothing on the screen tells a form's name, length or place in the song.
"""

from __future__ import annotations

import itertools
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import click

from listening import cautions
from listening.counts import advice_after
from listening.local.device import PlaybackResult, Playing, require_device
from listening.local.keys import ESCAPE, INTERRUPT, single_keys
from listening.local.level import level_check_file
from listening.local.prompts import ask, ask_about, ask_heard_on, ask_last_questions, ask_moments, review
from listening.round_state import OPENED, may_stop_text, next_round_text, round_state, set_aside_text
from listening.rounds import Listen, Round, enter_round, require_round
from listening.status import listen_command
from render.errors import ListenError
from sessions.records import Stumble
from sessions.study import Study

KEEP_KEYS = " cC"
STOP_KEYS = f"qQ{ESCAPE}{INTERRUPT}"
MARK_FRAMES = (".    ", " .   ", "  .  ", "   . ", "    .")  # moves while a form plays, and tells no time


class Leave(Exception):
    """The listener leaves the round here; it waits."""


@dataclass(frozen=True)
class ListeningSetup:
    """Sound device and playback system (asked when None); `any_day` begins a round before its day."""

    device: str | None = None
    heard_on: str | None = None
    any_day: bool = False


def listen(study: Study, listener: str, setup: ListeningSetup) -> None:
    """The listener's open or next round, to its end or until they leave it."""
    try:
        require_round(study, listener, any_day=setup.any_day)
    except ListenError:
        _say_abandoned(study, listener)
        raise
    require_device(setup.device)
    round_ = enter_round(study, listener, any_day=setup.any_day)
    _welcome(study, round_)
    try:
        if round_.state.waiting is not None:
            code = round_.state.waiting.code
            click.echo(f"\nYou heard {code} to its end last time, but it has no rating yet.")
            ask_about(study, round_, round_.state.waiting)
            round_ = _go_on(study, round_, setup)
        if round_.next_demand is not None:
            _hear_all(study, round_, _sit_down(study, round_, setup), setup.device)
        review(study, round_)
        ask_last_questions(study, round_)
    except (Leave, click.Abort, KeyboardInterrupt):
        _farewell(round_)
        return
    opened = round_.finish()
    if _say_abandoned(study, round_.listener):
        return
    click.echo(f"\nRound {round_.state.number} is done. Thank you, {round_.listener}.")
    if opened:
        click.echo("It was the last one of the plan: the study is open. See `fairhearing report`.")
    else:
        _say_next(study, round_.listener)


def _go_on(study: Study, before: Round, setup: ListeningSetup) -> Round:
    """The round that comes after a rating: the same, unless what is left of it can no longer be played."""
    round_ = enter_round(study, before.listener, any_day=setup.any_day)
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
    heard, asked = len(round_.state.rated), len(round_.demands)
    click.echo(f"\n{study.song.title}. Hello, {round_.listener}.")
    _say_abandoned(study, round_.listener)
    if round_.contents.opened is not None:
        click.echo(f"\n{click.wrap_text(OPENED, width=78)}\n")
    if enough := may_stop_text(round_.contents):
        click.echo(f"\n{click.wrap_text(enough, width=78)}\n")
    click.echo(
        f"Round {round_.state.number} of {study.song.rounds}: {asked} forms, one at a time, each from its "
        "top to its end."
    )
    if heard:
        click.echo(f"You have rated {heard} of them; this goes on where you left.")
    click.echo(
        "\nEach form has a code; which is which stays hidden. After it ends you rate it from 0 to 100.\n"
        "There is no skipping: a form can only be judged by all that leads to its end.\n"
    )
    click.echo(click.wrap_text(cautions.CAUTION, width=78))


def _sit_down(study: Study, round_: Round, setup: ListeningSetup) -> int:
    """The sitting that this listener is in; one that begins has its level check first."""
    last = study.log.open_sitting(round_.listener)
    goes_on = last is not None and last.means == "device" and setup.heard_on in (None, last.heard_on)
    if last is not None and goes_on:
        click.echo(f"\nYour sitting goes on ({last.heard_on}), at the level that you set.")
        return last.id
    heard_on = setup.heard_on or ask_heard_on()
    _check_level(study, round_, setup.device)
    return study.log.sit_down(round_.listener, heard_on, "device")


def _check_level(study: Study, round_: Round, device: str | None) -> None:
    click.echo("\nLevel check: a loud passage of the song, which fades in. Turn your volume down first.")
    ask("Enter to hear it", " ")
    with level_check_file(study.folder, round_.manifest) as path:
        while True:
            _play(path, device, "level check … set your volume (q stops it)")
            answer = ask(
                "Heard it, and is it comfortable? (y = yes, go on; Enter = again; q = leave)", " "
            ).lower()
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
        place = f"form {len(round_.state.rated) + 1} of {len(round_.demands)}"
        keys = "Enter = from the top, l = level check, q = leave"
        answer = ask(f"\nNext: {place} in this round. {keys}", " ").lower()
        if answer.startswith("q"):
            raise Leave
        if answer.startswith("l"):
            _check_level(study, round_, device)
            continue
        _hear_one(study, round_, round_.begin(demand, sitting), device)
        round_.refresh()


def _hear_one(study: Study, round_: Round, listen: Listen, device: str | None) -> None:
    moments = itertools.count(1)

    def keep_moment(keys: str, playing: Playing) -> None:
        if any(key in KEEP_KEYS for key in keys):
            study.log.mark(listen.id, round_.form_time_s(playing.time_s))
            click.echo(f"\r      moment {next(moments)} kept for a comment")

    sign = f"{listen.code} is playing …  (space keeps this moment, q stops)"
    try:
        played = _play(listen.demand.path, device, sign, keep_moment)
    except ListenError:
        study.log.end_listen(listen.id, 0, "the sound device failed")
        raise
    stumbles = [Stumble(round_.form_time_s(x.at_s), x.length_s) for x in played.stumbles]
    study.log.end_listen(
        listen.id, played.delivered_frames, played.void_reason, late_s=played.late_s, stumbles=stumbles
    )
    round_.refresh()
    heard = next(x for x in round_.contents.listens if x.id == listen.id)
    if heard.void_reason is None:
        click.echo(f"{listen.code} has ended.")
        ask_about(study, round_, heard)
        return
    click.echo(f"Not counted: {heard.void_reason}. This form will be heard again, from its top.")
    ask_moments(study, round_, heard)
    if advice := advice_after(round_.contents.listens):
        click.echo(click.wrap_text(advice, width=78))
    if not played.stopped and played.delivered_frames < played.frames:  # the device is gone, or the render
        raise Leave


def _play(
    path: Path, device: str | None, sign: str, on_keys: Callable[[str, Playing], None] | None = None
) -> PlaybackResult:
    """Play a file under `sign` and a mark that moves; keys stop it, and are shown to `on_keys`."""
    playing = Playing(path, device)
    marks = itertools.cycle(frame for frame in MARK_FRAMES for _ in range(4))
    moves = sys.stdout.isatty()
    with single_keys() as keys:
        click.echo(f"\n  ♪ {sign}")

        def look(now: Playing) -> None:
            try:
                pressed = keys()
            except KeyboardInterrupt:
                pressed = INTERRUPT
            if pressed and on_keys is not None:
                on_keys(pressed, now)
            if any(key in STOP_KEYS for key in pressed):
                now.stop()
            if moves:
                click.echo(f"\r    {next(marks)}", nl=False)

        try:
            return playing.run(look)
        finally:
            if moves:
                click.echo("\r         \r", nl=False)


def _farewell(round_: Round) -> None:
    round_.refresh()
    left = len(round_.demands) - len(round_.state.rated)
    click.echo(
        f"\nAll you rated is kept. {left} of round {round_.state.number} wait for you: "
        f"`{listen_command(round_.listener)}` goes on from here, on any day."
    )


def _say_next(study: Study, listener: str) -> None:
    state = round_state(study, study.log.contents(listener), listener)
    click.echo(click.wrap_text(next_round_text(state), width=78))
    if state.finished:
        click.echo("The others' rounds are still open, so the study stays sealed.")
