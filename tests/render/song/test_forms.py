"""The part language: every rule of its grammar (design, section 5), and what is said about mistakes."""

from collections.abc import Callable
from fractions import Fraction
from typing import Any, Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from render.errors import FormError
from render.song.forms import (
    Ending,
    Piece,
    Section,
    Silence,
    Treatment,
    parse_bars,
    parse_ending,
    parse_part,
)

SECTIONS = (
    Section("intro", 1, 4),
    Section("verse", 5, 8),
    Section("verse 1", 9, 16, Fraction(1)),
    Section("Refrain", 17, 24, Fraction(3, 2)),
    Section("bridge", 25, 32),
    Section("Straße", 33, 36),
)
STEMS = ("bass", "drums", "lead voice", "lead")
WHERE = 'forms."early bridge", part 3'


def parse(
    text: str,
    sections: list[Section] | tuple[Section, ...] = SECTIONS,
    stems: list[str] | tuple[str, ...] = STEMS,
) -> list[Piece | Silence]:
    return parse_part(text, sections, stems, WHERE)


def one(text: str, **names: Any) -> Any:
    (part,) = parse(text, **names)
    return part


def bars(text: str) -> tuple[int, int]:
    part = one(text)
    return part.first_bar, part.last_bar


def refusal(text: str, **names: Any) -> str:
    with pytest.raises(FormError) as caught:
        parse(text, **names)
    return str(caught.value)


# What it reads


def test_a_section_is_all_its_bars() -> None:
    assert bars("bridge") == (25, 32)


def test_the_longest_name_is_matched_first() -> None:
    assert bars("verse") == (5, 8)
    assert bars("verse 1") == (9, 16)
    assert one("intro without lead voice").treatment.stems == ("lead voice",)
    assert one("intro without lead and bass").treatment.stems == ("bass", "lead")


def test_names_end_at_word_boundaries() -> None:
    assert 'no section "verse 12"; did you mean "verse 1"?' in refusal("verse 12")
    assert 'no section "introduction"' in refusal("introduction")
    assert 'no section "intro,"; did you mean "intro"?' in refusal("intro, x2")
    assert one("verse 1", sections=(Section("verse", 1, 4), Section("verse 1", 5, 8))).first_bar == 5
    only_verse = (Section("verse", 1, 4),)
    assert 'no section "verse 1"; did you mean "verse"?' in refusal("verse 1", sections=only_verse)


def test_capitals_and_spaces_do_not_count() -> None:
    assert one("  REFRAIN   Bars 1 - 2  ONLY  Drums ") == one("refrain bars 1-2 only drums")
    assert bars("STRASSE bars 2") == (34, 34)
    assert len(parse("straße x2")) == 2


def test_bars_count_within_the_section_and_include_both_ends() -> None:
    assert bars("verse 1 bars 2-3") == (10, 11)
    assert bars("verse 1 bars 8") == (16, 16)
    assert bars("bridge bar 1") == (25, 25)
    assert bars("bridge bars 2–4") == (26, 28)  # an en dash, as editors put it


def test_only_a_part_from_its_sections_first_bar_has_the_pickup() -> None:
    assert one("refrain").pickup_beats == Fraction(3, 2)
    assert one("refrain bars 1-2").pickup_beats == Fraction(3, 2)
    assert one("refrain bars 2-8").pickup_beats == 0
    assert one("bridge").pickup_beats == 0


def test_each_repeat_is_a_part_of_its_own() -> None:
    parts = parse("refrain bars 1-4 x3 without bass")
    assert parts == [one("refrain bars 1-4 without bass")] * 3
    assert parse("refrain x1") == [one("refrain")]
    assert len(parse("intro x 2")) == 2


def test_stems_are_left_out_or_heard_alone() -> None:
    assert one("intro").treatment == Treatment()
    assert one("intro without bass").treatment == Treatment("without", ("bass",))
    assert one("intro only drums and bass").treatment == Treatment("only", ("bass", "drums"))
    assert one("intro only bass and drums") == one("intro only drums and bass and drums")
    assert one("intro only bass and drums and lead and lead voice").treatment == Treatment()


@pytest.mark.parametrize(
    ("text", "length", "unit"),
    [
        ("silence 1 bar", Fraction(1), "bars"),
        ("Silence 2 BARS", Fraction(2), "bars"),
        ("silence 1 beat", Fraction(1), "beats"),
        ("silence 2.5 beats", Fraction(5, 2), "beats"),
        ("silence .5 bars", Fraction(1, 2), "bars"),
    ],
)
def test_silence_in_bars_or_beats(text: str, length: Fraction, unit: str) -> None:
    silence = one(text)
    assert isinstance(silence, Silence)
    assert (silence.length, silence.unit) == (length, unit)


def test_a_section_may_be_called_what_the_language_uses_elsewhere() -> None:
    odd = (Section("only", 1, 2), Section("bars", 3, 4), Section("verse x2", 5, 6), Section("verse", 7, 8))
    assert one("only only bass", sections=odd).treatment.stems == ("bass",)
    assert one("bars bars 2", sections=odd).first_bar == 4
    assert one("verse x2", sections=odd).first_bar == 5
    assert len(parse("verse x2 x2", sections=odd)) == 2


# Mistakes


def test_an_unknown_section_is_named_with_the_nearest_one() -> None:
    message = 'forms."early bridge", part 3: there is no section "brigde"; did you mean "bridge"?'
    for text in ("brigde", "brigde x2", "brigde bars 1-2", "brigde bar 1", "brigde without bass"):
        assert refusal(text) == message


def test_a_misspelt_word_of_the_language_is_answered_with_the_word() -> None:
    assert refusal("verse wihtout bass").endswith(
        'cannot read "wihtout bass" in "verse wihtout bass"; did you mean "without"?'
    )
    assert refusal("intro bars 1-2 onyl bass").endswith('"; did you mean "only"?')
    assert refusal("verse 1 brs 1-2").endswith('"; did you mean "bars"?')


def test_where_no_name_is_near_those_that_exist_are_listed() -> None:
    assert refusal("zzz", sections=SECTIONS[:2]).endswith('no section "zzz"; there is "intro", "verse"')


def test_an_unknown_stem_is_named_with_the_nearest_one() -> None:
    assert refusal("intro without bas") == f'{WHERE}: there is no stem "bas"; did you mean "bass"?'
    assert 'no stem "drumms"; did you mean "drums"?' in refusal("intro only bass and drumms")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "the part is empty"),
        ("   ", "the part is empty"),
        ("intro x0", "x0 is not a number of repeats"),
        ("intro x501", "x501 is not a number of repeats"),
        ("intro x-1", 'there is no section "intro x-1"; did you mean "intro"?'),
        ("intro 2 bars", 'there is no section "intro 2"; did you mean "intro"?'),
        ("intro x" + "9" * 5000, "cannot read"),
        ("intro bars", 'after "bars" comes a range'),
        ("intro bars two", 'after "bars" comes a range'),
        ("intro bars 0-1", "counted from 1"),
        ("intro bars 3-2", "run backwards"),
        ("intro bars 3-5", 'there is no bar 5 in it'),
        ("intro bars " + "9" * 5000, 'after "bars" comes a range'),
        ("intro without", 'after "without" comes the name of a stem'),
        ("intro without bass and", 'after "and" comes the name of a stem'),
        ("intro only drums bass", 'cannot read "bass"'),
        ("intro without bass x2", 'cannot read "x2"'),
        ("intro x2 bars 1-2", 'cannot read "bars 1-2"'),
        ("intro without bass and drums and lead and lead voice", "nothing is left"),
        ("silence", "is not a silence"),
        ("silence 0 bars", "is not a silence"),
        ("silence -1 bars", "is not a silence"),
        ("silence one bar", "is not a silence"),
        ("silence 1e9 bars", "is not a silence"),
        ("silence 1 minute", "is not a silence"),
        ("silence 1 bar x2", 'cannot read "x2"'),
    ],
)  # fmt: skip
def test_each_mistake_is_named_with_the_part_it_is_in(text: str, said: str) -> None:
    message = refusal(text)
    assert message.startswith(f"{WHERE}: ")
    assert said in message


def test_without_and_only_need_stems() -> None:
    assert "song.toml has none" in refusal("intro without bass", stems=())


# Laws

# letters that spell none of the language's own words
WORDS = st.text("abcdefghij éß1234567890-'&.", min_size=1, max_size=12).map(lambda s: " ".join(s.split()))
NAMES = st.lists(WORDS.filter(bool), min_size=1, max_size=6, unique_by=str.casefold)


@st.composite
def songs(draw: Callable[..., Any]) -> tuple[list[Section], list[str]]:
    names = draw(NAMES)
    first, sections = 1, []
    for name in names:
        bars_of_it = draw(st.integers(1, 9))
        sections.append(Section(name, first, first + bars_of_it - 1, Fraction(draw(st.integers(0, 4)))))
        first += bars_of_it
    stems = draw(st.lists(WORDS.filter(bool), min_size=2, max_size=4, unique_by=str.casefold))
    return sections, stems


@st.composite
def parts_of(
    draw: Callable[..., Any], sections: list[Section], stems: list[str]
) -> tuple[str, int, tuple[Any, ...]]:
    section = draw(st.sampled_from(sections))
    text = section.name
    first, last = 1, section.bars
    if draw(st.booleans()):
        first = draw(st.integers(1, section.bars))
        last = draw(st.integers(first, section.bars))
        text += f" bars {first}" if first == last else f" bars {first}-{last}"
    count = draw(st.integers(1, 4))
    text += f" x{count}" if count > 1 else ""
    treatment = Treatment()
    if draw(st.booleans()):
        chosen = draw(st.lists(st.sampled_from(stems), min_size=1, max_size=len(stems) - 1, unique=True))
        mode = draw(st.sampled_from(["without", "only"]))
        text += f" {mode} {' and '.join(chosen)}"
        treatment = Treatment(mode, tuple(sorted(chosen)))
    pickup = section.pickup_beats if first == 1 else Fraction(0)
    places = (section.name, section.first_bar + first - 1, section.first_bar + last - 1, treatment, pickup)
    return text, count, places


@given(st.data())
def test_what_is_written_is_what_is_read_in_any_case(data: st.DataObject) -> None:
    sections, stems = data.draw(songs())
    text, count, places = data.draw(parts_of(sections, stems))
    for written in (text, text.upper(), text.replace(" ", "  ")):
        parts = parse(written, sections=sections, stems=stems)
        pieces = [
            (p.section, p.first_bar, p.last_bar, p.treatment, p.pickup_beats)
            for p in parts
            if isinstance(p, Piece)
        ]
        assert pieces == [places] * count


@given(st.data())
def test_a_part_printed_reads_as_the_same_part(data: st.DataObject) -> None:
    sections, stems = data.draw(songs())
    text, _, _ = data.draw(parts_of(sections, stems))
    part = parse(text, sections=sections, stems=stems)[0]
    assert isinstance(part, Piece)
    assert parse(part.text, sections=sections, stems=stems) == [part]


@given(st.text(max_size=40))
def test_any_text_is_read_or_refused_with_a_message(text: str) -> None:
    try:
        parts = parse(text)
    except FormError as error:
        assert str(error).startswith(WHERE)
    else:
        assert parts


# Endings and ranges of bars


@given(
    st.sampled_from(["ring", "fade"]),
    st.integers(1, 3_999_999).map(lambda quarters: Fraction(quarters, 4)),
    st.sampled_from(["bars", "beats"]),
)
def test_an_ending_printed_reads_as_the_same_ending(
    kind: Literal["ring", "fade"], length: Fraction, unit: Literal["bars", "beats"]
) -> None:
    ending = Ending(kind, length, unit)
    assert parse_ending(str(ending), "here") == ending


def test_endings() -> None:
    assert parse_ending("ring 1 beat", "") == Ending("ring", Fraction(1), "beats")
    assert parse_ending("Fade 2.5 Bars", "") == Ending("fade", Fraction(5, 2), "bars")
    assert parse_ending(" CUT ", "") == Ending("cut")


@pytest.mark.parametrize(
    "text", ["", "stop", "ring", "ring 0 beats", "cut 1 beat", "fade two bars", "ring 1 s"]
)
def test_what_is_no_ending_is_refused_with_what_is(text: str) -> None:
    with pytest.raises(FormError, match=r'here: ".*" is not an ending; write "ring 1 beat"'):
        parse_ending(text, "here")


def test_ranges_of_bars() -> None:
    assert parse_bars("5-12", "") == (5, 12)
    assert parse_bars(" 7 ", "") == (7, 7)
    for text in ("", "a", "5-", "-5", "1-2-3", "0-3", "4-2", "1.5", "9" * 5000):
        with pytest.raises(FormError):
            parse_bars(text, "here")
