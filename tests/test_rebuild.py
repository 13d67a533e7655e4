"""The rebuild sheet rebuilds: an interpreter that shares no code with it runs its list.

The interpreter below knows bars and beats of the song and what each kind of edit means. What must come
out is taken from the renderer's own timeline (render/timeline.py), frame by frame around every join.
"""

from __future__ import annotations

import csv
import io
import itertools
import json
import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import pytest

from render.errors import FormError
from render.forms import Ending, Form, Piece, Section, Silence, parse_part
from render.grid import Change, Grid, Meter
from render.song import AudioInfo, Song, as_written
from render.timeline import Timeline, lay_out
from reports.rebuild import COLUMNS, Edit, Sheet, sheet

RATE = 48000
SAMPLE = 100  # forms of up to four parts tried for each kind of edit
QUICK = 400  # states for the search in the tests that run thousands of forms


def make_song(
    sections: list[tuple[str, int, int, str]],
    last_bar: int | None = None,
    tempo: str = "96",
    meter: tuple[int, int] = (4, 4),
    start: str = "0.5",
    changes: tuple[Change, ...] = (),
    stems: tuple[str, ...] = ("bass", "drums", "voice"),
    tail_s: float = 1.0,
) -> Song:
    found = tuple(Section(name, first, last, Fraction(pickup)) for name, first, last, pickup in sections)
    last = last_bar or found[-1].last_bar
    grid = Grid(RATE, Fraction(start), Fraction(tempo), Meter(*meter), changes)
    audio = AudioInfo(Path("song.wav"), RATE, 2, grid.line_frame(last + 1) + round(tail_s * RATE))
    paths = {stem: Path(f"{stem}.wav") for stem in stems}
    return Song(
        title="An invented song", listeners=(), rounds=6, days=3, folder=Path(), audio=audio, grid=grid,
        sections=found, last_bar=last, stems=paths, forms=(as_written(found, last),),
        matching="integrated", crossfade_ms=10.0,
    )  # fmt: skip


def make_form(song: Song, parts: list[str], ending: Ending | None = None) -> Form:
    read = [part for text in parts for part in parse_part(text, song.sections, list(song.stems))]
    return Form("new", tuple(read), ending)


# --- the interpreter -------------------------------------------------------------------------------


@dataclass(frozen=True)
class Sound:
    """`length_s` of the song from `source_s` on (None: silence), without `muted`."""

    source_s: Fraction | None
    length_s: Fraction
    muted: frozenset[str] = frozenset()


@dataclass
class Session:
    """What a producer has open: bars on a ruler, sound from `room_s` before bar 1 to the last bar line."""

    beat_s_before_bar_1: Fraction
    room_s: Fraction
    bars: list[tuple[Fraction, Fraction]]  # (beats, seconds a beat)
    sounds: list[Sound] = field(default_factory=list)

    def line_s(self, bar: int) -> Fraction:
        return self.room_s + sum((beats * beat_s for beats, beat_s in self.bars[: bar - 1]), Fraction(0))

    def place_s(self, bar: int, beat: Fraction) -> Fraction:
        if bar == 1 and beat < 1:
            return self.room_s - (1 - beat) * self.beat_s_before_bar_1
        beat_s = self.bars[bar - 1][1] if bar <= len(self.bars) else Fraction(0)
        assert beat == 1 or 1 < beat < 1 + self.bars[bar - 1][0], "a beat that the bar does not have"
        return self.line_s(bar) + (beat - 1) * beat_s

    def bars_from(self, start_s: Fraction, stop_s: Fraction) -> tuple[int, int]:
        """The bars that begin in [start, stop), as indices."""
        lengths = (beats * beat_s for beats, beat_s in self.bars)
        lines = list(itertools.accumulate(lengths, initial=self.room_s))
        first = next(n for n, line_s in enumerate(lines) if line_s >= start_s)
        stop = next((n for n, line_s in enumerate(lines) if line_s >= stop_s), len(self.bars))
        return first, stop

    def cut(self, start_s: Fraction, stop_s: Fraction) -> list[Sound]:
        out, at = [], Fraction(0)
        for sound in self.sounds:
            lo, hi = max(start_s, at), min(stop_s, at + sound.length_s)
            if lo < hi:
                source = None if sound.source_s is None else sound.source_s + lo - at
                out.append(Sound(source, hi - lo, sound.muted))
            at += sound.length_s
        return out

    def swap(self, start_s: Fraction, stop_s: Fraction, new: list[Sound]) -> None:
        end_s = sum((sound.length_s for sound in self.sounds), Fraction(0))
        assert start_s >= 0, "the audio has no room there"
        self.sounds = [*self.cut(Fraction(0), start_s), *new, *self.cut(stop_s, end_s)]

    def run(self, edit: Edit) -> None:
        start, stop, to = (
            self.place_s(at.bar, at.beat) if at else None for at in (edit.start, edit.stop, edit.to)
        )
        if edit.kind == "copy":
            assert start is not None and stop is not None and to is not None
            first, last = self.bars_from(start, stop)
            before, _ = self.bars_from(to, to)
            self.swap(to, to, self.cut(start, stop))
            self.bars[before:before] = self.bars[first:last]
        elif edit.kind == "remove":
            assert start is not None and stop is not None
            first, last = self.bars_from(start, stop)
            self.swap(start, stop, [])
            del self.bars[first:last]
        elif edit.kind == "silence":
            assert to is not None and edit.to is not None and edit.beats
            new = [(slot.beats, edit.length_s / edit.beats) for slot in edit.slots]
            self.swap(to, to, [Sound(None, edit.length_s)])
            self.bars[edit.to.bar - 1 : edit.to.bar - 1] = new
        elif edit.kind == "copy over":
            assert start is not None and stop is not None and to is not None
            self.swap(to, to + stop - start, self.cut(start, stop))
        elif edit.kind == "mute":
            assert start is not None and stop is not None
            heard = self.cut(start, stop)
            self.swap(start, stop, [Sound(s.source_s, s.length_s, s.muted | set(edit.stems)) for s in heard])
        elif edit.kind == "clear":
            assert stop is not None
            self.swap(Fraction(0), stop, [Sound(None, stop)])
        else:
            assert edit.kind == "ending"
        assert len(self.bars) == edit.total_bars
        total = sum((sound.length_s for sound in self.sounds), Fraction(0))
        assert total == self.line_s(len(self.bars) + 1), "sound and ruler have come apart"


def open_session(song: Song, room_s: Fraction) -> Session:
    """The song as written, with `room_s` before bar 1 (silence where the file holds less)."""
    bars = []
    for bar in range(1, song.last_bar + 1):
        stretch = song.grid.stretch(bar)
        bars.append((Fraction(stretch.meter.beats), stretch.beat_s))
    before = Fraction(60) / song.grid.tempo * Fraction(4, song.grid.meter.unit)
    session = Session(before, room_s, bars)
    whole = Sound(Fraction(0), song.grid.line_s(song.last_bar + 1))
    spare = room_s - song.grid.start_s
    session.sounds = [Sound(None, spare), whole] if spare > 0 else [whole]
    return session


def treatment(song: Song, timeline: Timeline, at: int) -> tuple[int | None, frozenset[str]]:
    """The source frame and the muted stems that the renderer plays at a frame (None: silence)."""
    for span in reversed(timeline.spans):
        if span.start + span.fade_in <= at < span.stop - span.fade_out:
            stems = frozenset(span.treatment.stems)
            muted = frozenset(song.stems) - stems if span.treatment.mode == "only" else stems
            return span.source + at - span.start, muted
    return None, frozenset()


def probes(timeline: Timeline, rng: random.Random) -> Iterator[int]:
    """Frames to compare: 20 ms either side of each join (fades are shorter), and anywhere else."""
    near = RATE // 50
    lines = {join.at for join in timeline.joins} | {join.line for join in timeline.joins} | {0}
    end = timeline.parts[-1].stop
    tried = {at + way for at in lines for way in (-near, near)}
    tried |= {rng.randrange(timeline.start, end) for _ in range(30)}
    for at in sorted(tried):
        clear = all(abs(at - join.at) >= near - 2 for join in timeline.joins)
        if timeline.start + near <= at < end - near and clear:
            yield at


def check(song: Song, form: Form, made: Sheet, seed: int = 0) -> None:
    """Run the sheet and compare what then sounds with the renderer's timeline."""
    timeline = lay_out(song, form)
    room_s = max(song.grid.start_s, Fraction(-timeline.start, RATE) + 1)
    session = open_session(song, room_s)
    for edit in made.edits:
        session.run(edit)
    assert len(session.bars) == made.total_bars
    assert abs((session.line_s(len(session.bars) + 1) - room_s) * RATE - timeline.parts[-1].stop) < 10
    for at in probes(timeline, random.Random(seed)):
        time_s = room_s + Fraction(at, RATE)
        heard = session.cut(time_s, time_s + Fraction(1, RATE))[0]
        source, muted = treatment(song, timeline, at)
        if source is not None and source < 0:
            source = None
        assert (heard.source_s is None) == (source is None), f"frame {at}"
        if source is not None:
            assert heard.source_s is not None
            assert abs(heard.source_s * RATE - source) < 10, f"frame {at}"  # each silence rounds a frame
            assert heard.muted == muted, f"frame {at}"


# --- random songs and forms ------------------------------------------------------------------------


def random_song(rng: random.Random) -> Song:
    sections, bar = [], 1
    for number in range(rng.randint(1, 6)):
        bars = rng.randint(1, 4)
        bar += rng.random() < 0.15
        sections.append((f"s{number}", bar, bar + bars - 1, rng.choice(["0", "0", "1", "1", "2", "1/2"])))
        bar += bars
    last = bar - 1 + rng.choice([0, 0, 1])
    changes: tuple[Change, ...] = ()
    if rng.random() < 0.3 and last > 3:
        tempo = Fraction(rng.choice(["90", "97", "120.5"]))
        changes = (Change(rng.randint(2, last), tempo, rng.choice([None, Meter(2, 4), Meter(6, 8)])),)
    return make_song(
        sections, last, rng.choice(["96", "97", "120"]), start=rng.choice(["0", "0.25", "2"]), changes=changes
    )


def random_form(rng: random.Random, song: Song, most: int) -> Form | None:
    parts = []
    for _ in range(rng.randint(1, most)):
        if rng.random() < 0.12:
            parts.append(rng.choice(["silence 1 bar", "silence 2 beats", "silence 1.5 bars"]))
            continue
        section = rng.choice(song.sections)
        text = section.name
        if rng.random() < 0.3:
            first = rng.randint(1, section.bars)
            text += f" bars {first}-{rng.randint(first, section.bars)}"
        text += " x2" if rng.random() < 0.2 else ""
        if rng.random() < 0.2:
            text += rng.choice([" without bass", " only voice", " without bass and drums"])
        parts.append(text)
    form = make_form(song, parts)
    return form if any(isinstance(part, Piece) for part in form.parts) else None


def from_nothing(form: Form) -> int:
    """Edits if nothing were kept: each part put in, each pickup laid, each treatment, one removal."""
    pieces = [part for part in form.parts if isinstance(part, Piece)]
    extra = sum(bool(p.pickup_beats) + (p.treatment.mode != "all") for p in pieces)
    return len(form.parts) + extra + 1


@pytest.mark.parametrize("block", range(8))
def test_the_sheet_rebuilds_thousands_of_random_forms(block: int) -> None:
    done = 0
    for seed in range(block * 350, (block + 1) * 350):
        rng = random.Random(seed)
        song = random_song(rng)
        form = random_form(rng, song, most=3 + block)
        if form is None:
            continue
        try:
            lay_out(song, form)
        except FormError:
            continue  # a part shorter than the next one's pickup: refused, so there is nothing to rebuild
        made = sheet(song, form, effort=QUICK if seed % 5 == 0 else 0)
        check(song, form, made, seed)
        edits = [edit for edit in made.edits if edit.kind not in ("ending", "clear")]
        assert len(edits) <= from_nothing(form)
        done += 1
    assert done > 200


# --- optimal, proved by breadth-first search -------------------------------------------------------

Atom = tuple[int, int, bool]  # (bar, beat, bass muted); bar 0 is silence
State = tuple[Atom, ...]  # two beats a bar


def neighbours(state: State, stems: bool, pickups: bool, most: int) -> Iterator[State]:
    """Every state one edit away, in a song in 2/4: whole bars, from the first beat or from the second."""
    beats = len(state)
    for phase in (0, 1) if pickups else (0,):
        places = range(phase, beats + 1, 2)
        for first, stop in itertools.combinations(places, 2):
            yield state[:first] + state[stop:]
            if beats + stop - first <= most:
                for to in places:
                    yield state[:to] + state[first:stop] + state[to:]
    for bars in range(1, (most - beats) // 2 + 1):
        for to in range(0, beats + 1, 2):
            yield (*state[:to], *(((0, 1, False), (0, 2, False)) * bars), *state[to:])
    if pickups:
        for source, to in itertools.permutations(range(1, beats, 2), 2):
            yield (*state[:to], state[source], *state[to + 1 :])
    if stems:
        for first, stop in itertools.combinations(range(beats + 1), 2):
            muted = tuple((bar, beat, bar > 0) for bar, beat, _ in state[first:stop])
            yield state[:first] + muted + state[stop:]


def distances(start: State, depth: int, stems: bool, pickups: bool, most: int) -> dict[State, int]:
    """Fewest edits to every state within `depth` edits."""
    found, edge = {start: 0}, [start]
    for step in range(1, depth + 1):
        new = []
        for state in edge:
            for other in neighbours(state, stems, pickups, most):
                if other not in found:
                    found[other] = step
                    new.append(other)
        edge = new
    return found


def atoms(form: Form) -> State:
    """The form beat by beat, for songs in 2/4 with pickups of one beat."""
    out: list[Atom] = []
    before: Piece | None = None
    for part in form.parts:
        if isinstance(part, Silence):
            out += [(0, 1, False), (0, 2, False)] * int(part.length)
            before = None
            continue
        muted = part.treatment.mode != "all"
        goes_on = before and before.last_bar + 1 == part.first_bar and before.treatment == part.treatment
        if part.pickup_beats and not goes_on:
            out[-1] = (part.first_bar - 1, 2, muted)
        out += [(bar, beat, muted) for bar in range(part.first_bar, part.last_bar + 1) for beat in (1, 2)]
        before = part
    return tuple(out)


# bars of the song, stems, pickups, depth of the search, and the longest song on the way (in beats; with
# two edits it cannot be reached, with three it keeps the search small: eight bars for forms of four)
CASES = {
    "bars and silence": (4, False, False, 3, 16),
    "pickups": (3, False, True, 3, 14),
    "stems": (3, True, False, 2, 24),
    "stems and pickups": (3, True, True, 2, 24),
}


@pytest.mark.parametrize("case", CASES)
def test_small_forms_have_the_fewest_edits_there_can_be(case: str) -> None:
    bars, stems, pickups, depth, most = CASES[case]
    sections = [(f"s{n}", n, n, "1" if pickups and n > 1 else "0") for n in range(1, bars + 1)]
    song = make_song(sections, meter=(2, 4), start="0", stems=("bass", "rest") if stems else (), tail_s=0.0)
    start = tuple((bar, beat, False) for bar in range(1, bars + 1) for beat in (1, 2))
    found = distances(start, depth, stems, pickups, most)
    names = [f"s{n}" for n in range(1, bars + 1)]
    texts = ["silence 1 bar", *names, *(f"{name} without bass" for name in names if stems)]
    proved = 0
    tops = [text for text in texts if text.startswith("s1")]  # no pickup at the top: it has no room here
    every = [[top, *rest] for top in tops for n in range(4) for rest in itertools.product(texts, repeat=n)]
    for parts in random.Random(5).sample(every, min(len(every), SAMPLE)):
        form = make_form(song, parts)
        edits = [edit for edit in sheet(song, form).edits if edit.kind != "ending"]
        fewest = found.get(atoms(form), depth + 1)
        if fewest <= depth or len(edits) == fewest:
            proved += 1
            assert len(edits) == fewest, parts
        assert len(edits) >= fewest, parts
    assert proved > SAMPLE // 4


# --- worked by hand --------------------------------------------------------------------------------

SONG = [
    ("intro", 1, 4, "0"), ("verse 1", 5, 12, "1"), ("refrain", 13, 20, "2"), ("verse 2", 21, 28, "1"),
    ("bridge", 29, 32, "0"), ("last refrain", 33, 40, "2"),
]  # fmt: skip


def test_dropping_a_verse_is_one_edit() -> None:
    """By hand: 40 bars less 8; 32 bars of 4 beats at 96 BPM last 32 * 4 * 60 / 96 = 80 s, from 0.5 s on."""
    song = make_song(SONG)
    made = sheet(song, make_form(song, ["intro", "verse 1", "refrain", "bridge", "last refrain"]))
    assert [edit.text for edit in made.edits] == ["Remove bars 21-28 and close up."]
    assert (made.total_bars, made.total_s) == (32, Fraction(161, 2))
    assert "Now 32 bars, 1:20.500." in made.as_markdown()


def test_dropping_a_part_before_a_pickup_moves_the_cut_by_it() -> None:
    """By hand: without the bridge, the last refrain's two beats of pickup replace those that end verse 2."""
    song = make_song(SONG)
    made = sheet(song, make_form(song, ["intro", "verse 1", "refrain", "verse 2", "last refrain"]))
    assert [edit.text for edit in made.edits] == [
        "Remove bar 28 beat 3 up to bar 32 beat 3 (4 bars) and close up."
    ]
    assert (made.edits[0].time, made.total_bars) == ("1:09.250", 36)


def test_a_form_with_everything() -> None:
    """By hand: 2 + 8 + 4 + 1 + 8 + 8 = 31 bars, 31 * 2.5 s = 77.5 s after bar 1 at 0.5 s."""
    song = make_song(SONG)
    parts = ["intro bars 1-2", "verse 1", "bridge without bass", "silence 1 bar", "refrain x2"]
    made = sheet(song, make_form(song, parts))
    check(song, make_form(song, parts), made)
    assert (made.total_bars, made.total_s) == (31, 78)
    assert [(mark.first_bar, mark.last_bar) for mark in made.landmarks] == [
        (1, 2), (3, 10), (11, 14), (15, 15), (16, 23), (24, 31)
    ]  # fmt: skip
    assert made.edits[-1].text == "Let bar 31 ring on for 1 beat under a fade to silence; nothing follows."


def test_the_song_as_written_needs_nothing() -> None:
    song = make_song(SONG)
    made = sheet(song, song.forms[0])
    assert made.edits == ()
    assert "Nothing to do" in made.as_markdown()


def test_a_first_part_from_elsewhere_silences_the_lead_in_and_keeps_its_pickup() -> None:
    song = make_song(SONG, start="2")
    form = make_form(song, ["refrain", "verse 1", "last refrain"])
    made = sheet(song, form)
    check(song, form, made)
    assert made.edits[-1].text == "Silence everything that sounds before 2 beats before bar 1."


def test_a_short_silence_is_a_short_bar_and_the_sheet_says_so() -> None:
    song = make_song(SONG)
    form = make_form(
        song, ["intro", "silence 6 beats", "verse 1", "refrain", "verse 2", "bridge", "last refrain"]
    )
    made = sheet(song, form)
    check(song, form, made)
    assert made.edits[0].text == (
        "Insert 1 bar and 2 beats of silence before bar 5. Bar 6 then has only 2 beats."
    )
    assert any("short bar" in note for note in made.notes)


def test_the_longest_forms_are_rebuilt_too() -> None:
    parts = 500  # the most that a form may have (design, section 5)
    rng = random.Random(parts)
    song = make_song(SONG, tempo="200")
    names = [f"{s.name} bars {n}" for s in song.sections for n in (1, 2)]
    form = make_form(song, [rng.choice(names) for _ in range(parts)])
    made = sheet(song, form)
    check(song, form, made)
    assert made.total_bars == parts


def test_csv_and_json_say_the_same() -> None:
    song = make_song(SONG)
    made = sheet(song, make_form(song, ["intro", "bridge only voice", "silence 2 beats", "refrain x2"]))
    rows = list(csv.DictReader(io.StringIO(made.as_csv())))
    told = json.loads(made.as_json())
    assert tuple(rows[0]) == COLUMNS
    assert [row["text"] for row in rows] == [edit["text"] for edit in told["edits"]]
    assert [float(row["total_bars"]) for row in rows] == [edit["total_bars"] for edit in told["edits"]]
    # two beats of 4/4 are half a bar of music, and a (short) bar of the ruler
    assert told["total_bars"] == told["edits"][-1]["total_bars"] == 24.5
    assert made.length_bars == Fraction(4 + 4 + 16) + Fraction(1, 2) and made.total_bars == 4 + 4 + 1 + 16
    page = made.as_markdown()
    assert "Together 24.5 bars; the last one ends at" in page and "25 bars" not in page
    assert page.count("short bar of its own") == 1 and "24.5 bars in the end" in page


def test_names_cannot_break_the_page() -> None:
    song = make_song([("a | b *c*", 1, 2, "0"), ("<d>", 3, 4, "0")])
    page = sheet(song, make_form(song, ["<d>", "a | b *c*"])).as_markdown()
    assert "a \\| b \\*c\\*" in page
    assert "\\<d\\>" in page
