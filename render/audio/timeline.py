"""A form laid out in frames: which frames of the song sound when, and where the joins are.

Frame 0 of a timeline is the form's first bar line; what sounds before it (the song's lead-in, or a
pickup) has negative frames. A join's crossfade lies before the line, so lengths never change:

    old part ───────────────────╲
    new part               ╱─────────┬───────────        ╱╲ crossfade, `fade_in` frames long,
                                     bar line               ending 2 ms before the line

From the third version of joining on two parts meet at the line itself (handover.py).
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from render.errors import FormError
from render.song.forms import DEFAULT_RING, Ending, Form, Part, Piece, Silence, Treatment, goes_on
from render.song.song import BY_STEM, Song

LEAD_OF_FADE_S = Fraction(2, 1000)  # a crossfade ends this long before the line: the new downbeat is whole
FROM_SILENCE_S = Fraction(5, 1000)
# Versions of joining (Song.joining): from which every opening fades in, sounds ring over joins,
# how long they do so is measured from the song
OPENING_FADES_SINCE, HANDOVERS_SINCE, MEASURED_SINCE = 2, 3, 5
FALL_BEYOND_CROSSFADE_S = Fraction(65, 1000)  # chosen by tests/benchmarks/RESULTS_joins.md for 10 ms
LONGEST_FORM_S = 60 * 60
ROUNDED_FRAMES = 1  # a pickup as long as the part before it may round to a frame more


@dataclass(frozen=True)
class Span:
    """An unbroken stretch of the song in a form: [start, stop) of the form, from `source` on.

    `fade_in` frames at its head rise (over the span before, or over silence); `fade_out` frames at
    its tail fall to zero. Frames of the form relative to its first bar line.
    """

    start: int
    stop: int
    source: int
    treatment: Treatment
    fade_in: int = 0
    fade_out: int = 0
    crossed: bool = False

    @property
    def source_stop(self) -> int:
        return self.source + self.stop - self.start


@dataclass(frozen=True)
class Placed:
    """A part where it sounds: frames [start, stop) of the form, bars counted from the form's top."""

    part: Part
    start: int
    stop: int
    start_bar: Fraction
    bars: Fraction


@dataclass(frozen=True)
class Join:
    """Where two parts meet that were not neighbours in the song.

    `at` is the frame of the form where the new part takes over (moved ahead by its pickup);
    `before` and `after` index the parts (None at the top and at the end).
    """

    at: int
    line: int
    before: int | None
    after: int | None
    pickup_beats: Fraction = Fraction(0)


@dataclass(frozen=True)
class Timeline:
    """A form in frames. It sounds from `start` (0 or negative) to `stop`; `joining` as in Song."""

    form: Form
    start: int
    stop: int
    spans: tuple[Span, ...]
    parts: tuple[Placed, ...]
    joins: tuple[Join, ...]
    ending: Ending
    fade_out: int  # frames of the whole form's fade, ending at `stop` (an `ending` of "fade")
    joining: int = 1
    fall_s: float = 0.0  # time constant at which the old part gives way, from the third version of joining on

    @property
    def bars(self) -> Fraction:
        return sum((placed.bars for placed in self.parts), Fraction(0))

    def part(self, index: int | None) -> Part | None:
        """The part before or after a join; None beyond the form's top and end."""
        return None if index is None else self.form.parts[index]

    def bar_after(self, join: Join) -> int:
        """The form's bar, from 1, at a join's line; a rest shorter than a bar is a bar of its own."""
        before = self.parts if join.after is None else self.parts[: join.after]
        return 1 + sum(math.ceil(placed.bars) for placed in before)


def lay_out(song: Song, form: Form) -> Timeline:
    """The form's timeline.

    Raises:
        FormError: a part too short for the next one's pickup, a pickup before the audio begins, or a
            form longer than an hour.
    """
    return _Layout(song, form).timeline()


def longest_lead(song: Song, timelines: Sequence[Timeline]) -> int:
    """Frames before bar 1 that every render gets, so that bar 1 falls at the same time in all of them."""
    return max([song.lead_in_frames, *(-t.start for t in timelines)])


def content_hash(
    timeline: Timeline, audio_sha256: str, treatments: dict[str, str], stems: Sequence[object] = ()
) -> str:
    """Hash of what makes a form: source audio, resolved pieces, treatments, fades; neither name nor gain.

    The way of joining is part of it where there are joins, except for the first one: those hashes are in
    the logs of studies begun with it. `treatments` maps a treatment's words to a hash of the stems it was
    made from; `stems` are the hashes of all of them, which matter where they are joined each on its own.
    """
    content: dict[str, object] = {
        "audio": audio_sha256,
        "length": [timeline.start, timeline.stop, timeline.fade_out],
        "spans": [
            [s.start, s.stop, s.source, treatments.get(str(s.treatment), ""), s.fade_in, s.fade_out]
            for s in timeline.spans
        ],
    }
    if timeline.joins and timeline.joining > 1:
        content["joining"] = timeline.joining
    if timeline.joins and timeline.joining >= HANDOVERS_SINCE:
        content["fall_s"] = timeline.fall_s
    if timeline.joins and timeline.joining in BY_STEM:
        content["stems"] = stems
    return hashlib.sha256(json.dumps(content, separators=(",", ":")).encode()).hexdigest()


class _Layout:
    """Places one part after the other; `now` is the form's frame at which the next part's bar line lies.

    `exact` is the same place in exact frames: parts have whole frames, whose roundings must not add up.
    """

    def __init__(self, song: Song, form: Form) -> None:
        self.song = song
        self.grid = song.grid
        self.form = form
        self.crossfade = round(exact_ms(song.crossfade_ms) * self.grid.sample_rate)
        self.ahead = round(LEAD_OF_FADE_S * self.grid.sample_rate)
        handed_over = song.joining >= HANDOVERS_SINCE
        self.crossing, self.crossing_ahead = (0, 0) if handed_over else (self.crossfade, self.ahead)
        self.now = 0
        self.exact = Fraction(0)
        self.bar = Fraction(0)
        self.spans: list[Span] = []
        self.placed: list[Placed] = []
        self.joins: list[Join] = []

    def timeline(self) -> Timeline:
        first = self.form.parts[0]
        if isinstance(first, Piece):
            self.exact = self.exact_frame(first.first_bar) - self.grid.line_frame(first.first_bar)
        for index, part in enumerate(self.form.parts):
            if isinstance(part, Silence):
                self.add_silence(index, part)
            else:
                self.add_piece(index, part)
            if self.now > LONGEST_FORM_S * self.grid.sample_rate:
                raise FormError(f"{self.where(index)}: the form passes 60 minutes here; shorten it")
        ending, fade_out = self.end()
        start = min(self.spans[0].start, 0)
        stop = max(self.now, self.spans[-1].stop)
        return Timeline(
            self.form, start, stop, tuple(self.spans), tuple(self.placed), tuple(self.joins), ending,
            fade_out, self.song.joining, self.fall_s(),
        )  # fmt: skip

    def fall_s(self) -> float:
        return float(FALL_BEYOND_CROSSFADE_S + exact_ms(self.song.crossfade_ms))

    def where(self, index: int) -> str:
        return f'forms."{self.form.name}", part {self.form.entry(index)} ("{self.form.parts[index].text}")'

    def exact_frame(self, bar: int) -> Fraction:
        return self.grid.line_s(bar) * self.grid.sample_rate

    def settle(self) -> None:
        """Apply the accumulated rounding error at the join: the line moves by a frame where it is over ½."""
        error = self.exact - self.now
        if self.placed and abs(error) > Fraction(1, 2):
            self.now += round(error)
            self.placed[-1] = replace(self.placed[-1], stop=self.now)
            if isinstance(self.placed[-1].part, Piece):
                self.spans[-1] = replace(self.spans[-1], stop=self.now)

    def add_silence(self, index: int, part: Silence) -> None:
        stretch = self.grid.stretch(self.form.bar_of_silence(index))
        length_s = stretch.length_s(part.length, part.unit)
        bars = part.length if part.unit == "bars" else part.length / stretch.meter.beats
        self.settle()
        self.close_to_silence(index)
        self.place(part, self.grid.frame(length_s), length_s * self.grid.sample_rate, bars)

    def close_to_silence(self, index: int) -> None:
        """The piece before a silence fades out, ending at the line."""
        if self.placed and isinstance(self.placed[-1].part, Piece):
            self.spans[-1] = self.faded(self.spans[-1], self.crossfade)
            self.joins.append(Join(self.now, self.now, index - 1, index))

    def faded(self, span: Span, frames: int) -> Span:
        """`span` with a fall at its tail that ends no later than the source does."""
        last_sound = min(span.source_stop, self.song.audio.frames)
        frames = max(min(frames, last_sound - span.source - span.fade_in), 0)
        return replace(span, stop=span.start + last_sound - span.source, fade_out=frames)

    def add_piece(self, index: int, part: Piece) -> None:
        first = self.grid.line_frame(part.first_bar)
        length = self.grid.line_frame(part.last_bar + 1) - first
        before = self.form.parts[index - 1] if index else None
        if index == 0 and part.first_bar == 1:
            self.spans.append(Span(-first, length, 0, part.treatment))
        elif goes_on(before, part):
            self.spans[-1] = replace(self.spans[-1], stop=self.now + length)
        else:
            self.settle()
            self.join(index, part, first, length, before)
        exact = self.exact_frame(part.last_bar + 1) - self.exact_frame(part.first_bar)
        self.place(part, length, exact, Fraction(part.bars))

    def join(self, index: int, part: Piece, first: int, length: int, before: Part | None) -> None:
        cut = self.grid.before_line_frame(part.first_bar, part.pickup_beats) if part.pickup_beats else first
        if cut < 0:
            raise FormError(
                f"{self.where(index)}: its pickup of {float(part.pickup_beats):g} beats begins "
                "before the audio does; bounce the song with more room before bar 1, or shorten the pickup"
            )
        given_up = first - cut
        from_silence = not isinstance(before, Piece)
        if before is not None:
            self.check_room(index, part, self.now - given_up - self.placed[-1].start, from_silence)
        fade = round(FROM_SILENCE_S * self.grid.sample_rate) if from_silence else self.crossing
        ahead = self.ahead if from_silence else self.crossing_ahead
        if not from_silence:
            self.give_way(self.now - given_up - ahead)
        earlier = min(given_up + ahead + fade, first)  # no audio before the file's first frame
        room = self.now + self.song.lead_in_frames
        if given_up <= room:
            earlier = min(earlier, room)  # a fade alone must not lengthen the lead-in
        fade_in = max(min(fade, earlier - given_up - ahead), 0)
        if from_silence and fade_in < fade and self.song.joining >= OPENING_FADES_SINCE:
            fade_in = min(fade, length)  # no room ahead of the line: else it would begin with a click
        span = Span(
            self.now - earlier, self.now + length, first - earlier, part.treatment,
            fade_in=fade_in, crossed=not from_silence,
        )  # fmt: skip
        self.spans.append(span)
        before_index = index - 1 if index else None
        self.joins.append(Join(self.now - given_up, self.now, before_index, index, part.pickup_beats))

    def check_room(self, index: int, part: Piece, left_frames: int, silence: bool) -> None:
        """A part must outlast the next one's pickup, or nothing of it is heard; a silence may be as long."""
        if left_frames < -ROUNDED_FRAMES or (left_frames <= ROUNDED_FRAMES and not silence):
            raise FormError(
                f"{self.where(index - 1)}: it is {'shorter' if silence else 'not longer'} than the "
                f'pickup ({float(part.pickup_beats):g} beats) of "{part.section}", which follows; '
                f'lengthen it, or start "{part.section}" at its bar 2'
            )

    def give_way(self, switch: int) -> None:
        """The old part falls over the crossfade's length and is gone at `switch`."""
        old = self.spans[-1]
        last_sound = old.start + self.song.audio.frames - old.source
        stop = max(min(switch, last_sound), old.start + old.fade_in)
        fade = min(self.crossing, stop - old.start - old.fade_in)
        self.spans[-1] = replace(old, stop=stop, fade_out=fade)

    def place(self, part: Part, length: int, exact: Fraction, bars: Fraction) -> None:
        self.placed.append(Placed(part, self.now, self.now + length, self.bar, bars))
        self.now += length
        self.exact += exact
        self.bar += bars

    def end(self) -> tuple[Ending, int]:
        """Stop as the song does, or as the form's `ending` says; by default ring on for a beat."""
        last = self.form.parts[-1]
        if isinstance(last, Silence):
            return Ending("cut"), 0
        at_song_end = last.last_bar == self.song.last_bar
        ending = self.form.ending or (Ending("song") if at_song_end else DEFAULT_RING)
        span = self.spans[-1]
        stretch = self.grid.stretch(last.last_bar)
        length = self.grid.frame(stretch.length_s(ending.length, ending.unit))
        if ending.kind == "song":
            self.spans[-1] = replace(span, stop=span.start + self.song.audio.frames - span.source)
            self.now = min(self.now, self.spans[-1].stop)
            return ending, 0
        self.joins.append(Join(self.now, self.now, len(self.form.parts) - 1, None))
        if ending.kind == "ring":
            length = min(length, self.song.audio.frames - span.source_stop)  # what the source still has
            fade = max(length, self.crossfade)
            self.spans[-1] = self.faded(replace(span, stop=span.stop + max(length, 0)), fade)
        elif ending.kind == "cut":
            self.spans[-1] = self.faded(span, self.crossfade)
        else:
            return ending, min(length, self.now)
        return ending, 0


def exact_ms(milliseconds: float) -> Fraction:
    """Milliseconds as an exact number of seconds."""
    return Fraction(str(milliseconds)) / 1000
