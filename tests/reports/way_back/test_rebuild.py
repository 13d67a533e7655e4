"""The rebuild sheet rebuilds: an interpreter that runs its list gets the form, by hand and at random."""

from __future__ import annotations

import csv
import io
import os
import random
from fractions import Fraction

import pytest

from render.audio.timeline import lay_out
from render.errors import FormError
from render.song.forms import Form, Piece
from render.song.grid import Change, Meter
from render.song.song import Song
from reports.output.markdown import rebuild_page
from reports.way_back.rebuild import COLUMNS, sheet
from tests.rebuild_session import check, make_form, make_song

FORMS_A_BLOCK = 350 if "FAIRHEARING_CAMPAIGN" in os.environ else 63  # 2,800 in the campaign, else 504
QUICK = 400  # states for the search, where thousands of forms are tried
SONG = [
    ("intro", 1, 4, "0"), ("verse 1", 5, 12, "1"), ("refrain", 13, 20, "2"), ("verse 2", 21, 28, "1"),
    ("bridge", 29, 32, "0"), ("last refrain", 33, 40, "2"),
]  # fmt: skip


def test_dropping_a_verse_is_one_edit() -> None:
    """By hand: 40 bars less 8; 32 bars of 4 beats at 96 BPM last 32 * 4 * 60 / 96 = 80 s; in the bounce,
    bar 21 lies at 0.5 + 20 * 2.5 = 50.5 s."""
    song = make_song(SONG)
    made = sheet(song, make_form(song, ["intro", "verse 1", "refrain", "bridge", "last refrain"]))
    assert [edit.text for edit in made.edits] == ["Remove bars 21-28 and close up."]
    assert (made.landmarks[-1].last_bar, made.length_s) == (32, 80)
    page = rebuild_page(made)
    assert "## At bridge (bars 21-24)" in page and "- [ ] 1. Remove bars 21-28 and close up." in page
    assert "leaves out verse 2. In the bounce: 0:50.500. Then 32 bars." in page


def test_a_part_put_elsewhere_is_one_move() -> None:
    """By hand: the bridge (bars 29-32, at 0.5 + 28 * 2.5 = 70.5 s) before the refrain (bar 13, 30.5 s)."""
    song = make_song([(name, a, b, "0") for name, a, b, _ in SONG])
    form = make_form(song, ["intro", "verse 1", "bridge", "refrain", "verse 2", "last refrain"])
    made = sheet(song, form)
    check(song, form, made)
    (step,) = made.steps
    assert step.edit.text == "Move bars 29-32 to before bar 13." and step.times == "1:10.500 to 0:30.500"
    assert step.edit.effect == "bridge before refrain" and step.place == "bridge (bars 13-16)"
    assert step.form_s == 12 * Fraction(5, 2)


def test_a_copy_right_behind_itself_is_a_repeat() -> None:
    song = make_song([(name, a, b, "0") for name, a, b, _ in SONG])
    parts = ["intro", "verse 1", "refrain x2", "verse 2", "bridge", "last refrain"]
    made = sheet(song, make_form(song, parts))
    assert [edit.text for edit in made.edits] == ["Repeat bars 13-20."]
    assert made.edits[0].effect == "refrain once more"


def test_a_part_repeated_twice_stands_in_the_order_of_the_form() -> None:
    song = make_song([(name, a, b, "0") for name, a, b, _ in SONG])
    form = make_form(song, ["intro", "verse 1", "refrain x3", "verse 2", "bridge", "last refrain"])
    made = sheet(song, form)
    check(song, form, made)
    assert [step.place for step in made.steps] == ["refrain (bars 21-28)", "refrain (bars 29-36)"]


def test_steps_go_from_the_top_down() -> None:
    """Where no step takes away what a later one copies, each shows later in the form than the one before."""
    song = make_song([(name, a, b, "0") for name, a, b, _ in SONG])
    parts = ["intro bars 1-2", "verse 1", "silence 1 bar", "refrain x2", "bridge", "last refrain bars 1-4"]
    made = sheet(song, make_form(song, parts))
    shown = [step.form_s for step in made.steps]
    assert len(shown) == 6 and shown == sorted(shown)


def test_dropping_a_part_before_a_pickup_moves_the_cut_by_it() -> None:
    """By hand: without the bridge, the last refrain's two beats of pickup replace those that end verse 2."""
    song = make_song(SONG)
    made = sheet(song, make_form(song, ["intro", "verse 1", "refrain", "verse 2", "last refrain"]))
    assert [edit.text for edit in made.edits] == [
        "Remove bar 28 beat 3 up to bar 32 beat 3 (4 bars) and close up."
    ]
    assert made.edits[0].start is not None and made.edits[0].start.bounce_s == Fraction("69.25")
    assert made.landmarks[-1].last_bar == 36


def test_a_form_with_everything() -> None:
    """By hand: 2 + 8 + 4 + 1 + 8 + 8 = 31 bars, 31 * 2.5 s = 77.5 s."""
    song = make_song(SONG)
    parts = ["intro bars 1-2", "verse 1", "bridge without bass", "silence 1 bar", "refrain x2"]
    made = sheet(song, make_form(song, parts))
    check(song, make_form(song, parts), made)
    assert (made.landmarks[-1].last_bar, made.length_s) == (31, Fraction("77.5"))
    assert [(mark.first_bar, mark.last_bar) for mark in made.landmarks] == [
        (1, 2), (3, 10), (11, 14), (15, 15), (16, 23), (24, 31)
    ]  # fmt: skip
    assert made.edits[-1].text == "Let bar 31 ring on for 1 beat under a fade to silence; nothing follows."


def test_the_song_as_written_needs_nothing() -> None:
    song = make_song(SONG)
    made = sheet(song, song.forms[0])
    assert made.edits == ()
    assert "Nothing to do" in rebuild_page(made)


def test_a_first_part_from_elsewhere_silences_the_lead_in_and_keeps_its_pickup() -> None:
    song = make_song(SONG, start="2")
    form = make_form(song, ["refrain", "verse 1", "last refrain"])
    made = sheet(song, form)
    check(song, form, made)
    assert "Silence everything that sounds before 2 beats before bar 1." in [e.text for e in made.edits[:3]]


def test_what_is_muted_from_a_pickup_on_is_said_from_where_to_where() -> None:
    song = make_song(SONG, start="2")
    form = make_form(song, ["verse 1 only voice", "refrain", "last refrain without bass"])
    made = sheet(song, form)
    check(song, form, made)
    texts = [edit.text for edit in made.edits]
    assert texts[:2] == [
        "Mute bass and drums in everything before bar 12 beat 3.",
        "Remove from 1 beat before bar 1 up to bar 4 beat 4 (4 bars) and close up.",
    ]
    assert "Mute bass from bar 16 beat 3 up to bar 37, and in what rings after it." in texts


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
    assert made.landmarks[-1].last_bar == parts


def test_csv_says_what_the_sheet_says() -> None:
    song = make_song(SONG)
    made = sheet(song, make_form(song, ["intro", "bridge only voice", "silence 2 beats", "refrain x2"]))
    rows = list(csv.DictReader(io.StringIO(made.as_csv())))
    assert tuple(rows[0]) == COLUMNS
    assert [row["text"] for row in rows] == [edit.text for edit in made.edits]
    assert [float(row["total_bars"]) for row in rows] == [edit.length_bars for edit in made.edits]
    # two beats of 4/4 are half a bar of music, and a (short) bar of the ruler
    assert (
        made.length_bars == Fraction(4 + 4 + 16) + Fraction(1, 2)
        and made.landmarks[-1].last_bar == 4 + 4 + 1 + 16
    )
    page = rebuild_page(made)
    assert "Together 24.5 bars; from bar 1 to the last bar line 1:01.250" in page and "25 bars" not in page
    assert page.count("short bar of its own") == 1 and "24.5 bars in the end" in page


def test_names_cannot_break_the_page() -> None:
    song = make_song([("a | b *c*", 1, 2, "0"), ("<d>", 3, 4, "0")])
    page = rebuild_page(sheet(song, make_form(song, ["<d>", "a | b *c*"])))
    assert "a \\| b \\*c\\*" in page
    assert "\\<d\\>" in page


# Random songs and forms


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
    for seed in range(block * FORMS_A_BLOCK, (block + 1) * FORMS_A_BLOCK):
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
    assert done > FORMS_A_BLOCK * 4 // 7
