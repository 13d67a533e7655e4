"""A round in the terminal, as a person does it: a real terminal, a real device, every sample checked."""

from __future__ import annotations

import re
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from listening.local.terminal import MARK_FRAMES
from listening.rounds import enter_round
from render.renders.render_forms import render_forms
from sessions.records import NOT_JUDGED, LogContents, RoundAnswers, Stumble
from sessions.study import Study
from tests.command_line import told
from tests.heard import sounding_render
from tests.places import ROOT
from tests.pulse import NullSink, portaudio, sink
from tests.short_study import do_round
from tests.songs import make_study
from tests.terminals import Terminal

__all__ = ["portaudio", "sink"]
pytestmark = [pytest.mark.device, pytest.mark.usefixtures("portaudio")]

FORMS = {"turned": ["b", "a"]}


@pytest.fixture
def study(tmp_path: Path) -> Study:
    """Two forms of about four seconds."""
    return rendered(tmp_path)


def rendered(folder: Path, **more: Any) -> Study:
    make_study(
        folder, tempo=240, bars=4, sections={"a": "1-2", "b": "3-4"}, forms=FORMS, listeners={"ana": {}},
        plan={"rounds": 2, "days": 2}, **more,
    )  # fmt: skip
    study = Study(folder)
    study.register(render_forms(study.song, keep_sets=study.open_render_sets))
    return study


def listening(study: Study, sink: NullSink, *options: str) -> Terminal:
    command = [sys.executable, "-m", "listening.cli", "listen", "--listener", "ana", *options]
    return Terminal(command, sink.env | {"PYTHONPATH": str(ROOT)}, study.folder)


def settle_in(terminal: Terminal) -> None:
    terminal.expect("Loud listening harms hearing")
    terminal.expect("What are you listening on")
    terminal.type("1\n")
    terminal.expect("Enter to hear it")
    terminal.type("\n")
    terminal.expect("is it comfortable", within_s=40)
    terminal.type("y\n")


def cut_the_level_check_short(terminal: Terminal) -> None:
    terminal.expect("Enter to hear it")
    terminal.type("\n")
    terminal.expect("level check")
    terminal.type("q")
    terminal.expect("is it comfortable")
    terminal.type("y\n")


def rate(terminal: Terminal, rating: str, *answers: str) -> None:
    terminal.expect("rating: ")
    terminal.type(f"{rating}\n")
    terminal.expect("Kept")
    for aspect in ("opening", "flow", "build", "ending"):
        terminal.expect(f"{aspect}: ")
        terminal.type(f"{answers[0]}\n" if answers and aspect == "opening" else "\n")


def finish(terminal: Terminal, cuts: str = "", keep: str = "") -> None:
    terminal.expect("Enter = the ratings stand")
    terminal.type("\n")
    terminal.expect("did you hear a cut")
    terminal.type(f"{cuts}\n")
    terminal.expect("would you keep")
    terminal.type(f"{keep}\n")
    terminal.expect("Round 1 is done")


def contents(study: Study) -> LogContents:
    return Study(study.folder).log.contents()


def test_a_whole_round(study: Study, sink: NullSink) -> None:
    with listening(study, sink) as terminal:
        settle_in(terminal)
        terminal.expect("Enter = from the top")
        with sink.recording() as tape:
            terminal.type("\n")
            code = terminal.expect(r"♪ \d{3} is playing").split()[1]
            terminal.expect("space keeps this moment")
            terminal.type(" ")
            terminal.expect("moment 1 kept")
            terminal.expect(f"{code} has ended")
        rate(terminal, "loud\n64", "80")
        terminal.expect(r"What was it at moment 1, at 0:0\d\?")
        terminal.type("the guitar, café ☕\n")
        terminal.expect("about the whole")
        terminal.type("\n")
        terminal.expect("form 2 of 2")
        terminal.type("\n")
        terminal.expect("has ended")
        rate(terminal, "40")
        terminal.expect("about the whole")
        terminal.type("\n")
        terminal.expect(rf"{code}: 64; opening 80; at 0:0\d \"the guitar")
        terminal.expect("Enter = the ratings stand")
        terminal.type(f"{code}\n")
        terminal.expect(f"{code}: rating")
        terminal.type("66\n")
        finish(terminal, f"7\n{code}", f"99\n{code}")
        terminal.expect("next round is due")
        assert terminal.wait() == 0
    first, second = contents(study).listens
    assert contents(study).rounds[0].answers == RoundAnswers((first.id,), "form", first.id)
    assert (first.rating, first.ratings["opening"], second.rating) == (66, 80, 40)
    assert first.heard_on == "headphones" and first.means == "device"
    time_s, words = first.comments[0]
    assert words == "the guitar, café ☕" and time_s is not None and -1 < time_s < 4
    np.testing.assert_array_equal(tape.sounding(), sounding_render(study, first))
    render = study.manifest.by_hash(contents(study).form(first.form_id).content_hash)
    assert render is not None
    for secret in ("as written", "turned", render.wav, f"{render.seconds:.1f}"):
        assert secret not in terminal.screen


def test_a_stop_voids_and_the_form_comes_again(study: Study, sink: NullSink) -> None:
    with listening(study, sink, "--heard-on", "monitors") as terminal:
        cut_the_level_check_short(terminal)
        terminal.expect("from the top")
        terminal.type("\n")
        terminal.expect("is playing")
        terminal.type("q")
        terminal.expect("Not counted: stopped by the listener")
        terminal.expect("form 1 of 2")
        terminal.type("q\n")
        terminal.expect("2 of round 1 wait for you")
        assert terminal.wait() == 0
    (listen,) = contents(study).listens
    assert listen.void_reason == "stopped by the listener" and listen.frames_delivered < listen.frames


def test_a_killed_listen_loses_nothing_and_resumes(study: Study, sink: NullSink) -> None:
    with listening(study, sink, "--heard-on", "car") as terminal:
        cut_the_level_check_short(terminal)
        terminal.expect("from the top")
        terminal.type("\n")
        terminal.expect("has ended")
        terminal.expect("rating: ")
        terminal.type("71\n")
        terminal.expect("Kept")
        terminal.kill()
    assert [x.rating for x in contents(study).listens] == [71]
    with listening(study, sink, "--heard-on", "car") as terminal:
        terminal.expect("You have rated 1 of them")
        terminal.expect("Your sitting goes on")
        terminal.expect("form 2 of 2")
        terminal.type("\n")
        terminal.expect("is playing")
        terminal.kill()
    with listening(study, sink, "--heard-on", "car") as terminal:
        terminal.expect("You have rated 1 of them")
        terminal.kill()
    ratings = [x.rating for x in contents(study).listens]
    assert ratings == [71, None], "the rating is there once; the killed listen is open until the next begins"


def test_a_round_that_could_not_go_on_is_explained(study: Study, sink: NullSink) -> None:
    enter_round(study, "ana")
    rendered(study.folder, gain=0.5)  # another bounce: its forms are new ones
    with listening(study, sink, "--heard-on", "car") as terminal:
        terminal.expect("could not go on, because its forms have been replaced; what\\s+you rated is kept")
        terminal.expect("Round 1 of 2")
        terminal.kill()
    assert "because its forms have been replaced" in told(study.folder, "status").replace("\n", " ")


def test_whether_a_round_is_due_is_said_before_a_device_is_asked_for(study: Study) -> None:
    do_round(study, "ana")
    said = told(study.folder, "listen", "--listener", "ana", "--device", "nowhere at all", code=1)
    assert "due on" in said and "nowhere" not in said


def test_an_interrupt_keeps_what_was_marked_and_asks_nothing_twice(study: Study, sink: NullSink) -> None:
    with listening(study, sink) as terminal:
        terminal.expect("What are you listening on")
        terminal.type("my old radio\n")
        cut_the_level_check_short(terminal)
        terminal.expect("from the top")
        terminal.type("\n")
        terminal.expect("is playing")
        began = time.monotonic()
        for mark in MARK_FRAMES[:3]:  # it moves while it plays, and tells no time
            terminal.expect(re.escape(f"\r    {mark}"))
        terminal.type("c")
        terminal.expect("moment 1 kept")
        kept_s = time.monotonic() - began
        terminal.expect("rating: ")
        assert terminal.interrupt() == 0
    with listening(study, sink) as terminal:
        terminal.expect("has no rating yet")
        rate(terminal, "71")
        terminal.expect(r"What was it at moment 1, at 0:0\d\?")
        terminal.type("the bass\n")
        terminal.expect("about the whole")
        terminal.type("\n")
        terminal.expect(r"Your sitting goes on \(my old radio\)")
        terminal.expect("form 2 of 2")
        terminal.type("q\n")
        assert terminal.wait() == 0
    (listen,) = contents(study).listens
    ((time_s, words),) = listen.comments
    assert (listen.rating, words, listen.heard_on) == (71, "the bass", "my old radio")
    assert time_s is not None and 0 < time_s + study.manifest.lead_s < kept_s + 0.1


def test_what_no_longer_counts_is_said_at_once(study: Study, sink: NullSink) -> None:
    study.log.add_event("decided", {"form": "turned"})
    with listening(study, sink, "--heard-on", "car") as terminal:
        terminal.expect("has been opened: what you hear from now on is kept apart")
        terminal.kill()


def test_a_stumble_is_asked_about_before_the_rating(study: Study, sink: NullSink) -> None:
    """One that could not be judged is heard again, and one that could is rated; both stay in the log."""
    round_ = enter_round(study, "ana")
    for could in (False, True):
        demand = round_.next_demand
        assert demand is not None
        listen = round_.begin(demand, study.log.sit_down("ana", "car", "device"))
        study.log.end_listen(listen.id, demand.render.frames, late_s=0.8, stumbles=[Stumble(2.0, 0.8)])
        with listening(study, sink, "--heard-on", "car") as terminal:
            terminal.expect("The sound stumbled at 0:02")
            terminal.expect("Could you still judge it")
            terminal.type("y\n" if could else "n\n")
            if could:
                rate(terminal, "55")
            terminal.expect("about the whole" if could else "Not counted")
            terminal.kill()
        round_.refresh()
    first, second = contents(study).listens
    assert (first.void_reason, first.rating, first.could_judge) == (NOT_JUDGED, None, False)
    assert (second.void_reason, second.rating, second.could_judge) == (None, 55, True)
    assert first.form_id == second.form_id and second.blemished
