"""Changes to song.toml's text: what is asked for changes, everything else stays, letter for letter."""

import difflib
import tomllib
from pathlib import Path

import pytest

from render.edits.forms import remove_form, rename_form, set_form
from render.edits.sections import (
    join_sections,
    remove_section,
    rename_section,
    renames,
    replace_sections,
    set_bars,
    set_pickup,
    split_section,
)
from render.edits.settings import (
    remove_listener,
    rename_listener,
    set_keys,
    set_listener,
    set_stems,
)
from render.errors import AudioError, FormError, SongError
from render.song.forms import Piece, Section
from render.song.song import Listener, sections_of, song_from_text
from tests.songs import make_study

TEXT = """# our song, do not lose this

[song]
title = "Invented"
audio   = "song.wav"        # the bounce of Monday
tempo = 120.0               # quarter notes per minute
meter = "4/4"
start = 0.25
# changes = [{ bar = 33, tempo = 92.0 }]

[stems]
drums = "stems/drums.wav"   # all of the kit
bass  = "stems/bass.wav"
voice = "stems/voice.wav"

[sections]                  # by ear
"intro"   = { bars = "1-2" }
"verse 1" = { bars = "3-6" }                  # she comes in here
"refrain" = { bars = "7-10", pickup = 1 }
"outro"   = { bars = "11-12" }

[forms]                     # as written is always there
"early"   = ["intro bars 2", "Verse 1", "silence 2 beats",   # a breath
             "refrain bars 1-2 x2 without drums and voice",
             "outro"]       # short
# 0:30, for the brave
"late" = { parts = ["verse 1", "refrain bars 3-4", "verse 1"], ending = "ring 1 beat" }
# tried and left: "refrain x9"

[listeners]
ana = { prior_listens = { "as written" = 60, "early" = 8 }, weight = 2 }   # wrote it
# bo = {}

[plan]
# rounds = 6
# days = 3
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return make_study(tmp_path, rate=8000, subtype="PCM_16", stems=("drums", "bass", "voice"))


def lines_changed(new: str, old: str = TEXT) -> list[str]:
    """Lines that went and lines that came, in order."""
    steps = difflib.ndiff(old.splitlines(), new.splitlines())
    return [line for line in steps if line[0] in "+-"]


def plays(text: str, folder: Path, form: str) -> list[str | tuple[int, str]]:
    """A form as the bars it plays, with its treatments."""
    parts = song_from_text(text, folder).form(form).parts
    return [
        (bar, str(p.treatment)) if isinstance(p, Piece) else p.text
        for p in parts
        for bar in (range(p.first_bar, p.last_bar + 1) if isinstance(p, Piece) else [0])
    ]


def test_the_text_is_a_song(folder: Path) -> None:
    assert song_from_text(TEXT, folder).sections[1].name == "verse 1"


# The song


def test_a_value_keeps_its_comment(folder: Path) -> None:
    new = set_keys(TEXT, folder, "song", {"tempo": 120.5, "start": 0.3})
    assert lines_changed(new) == [
        "- tempo = 120.0               # quarter notes per minute",
        "+ tempo = 120.5               # quarter notes per minute",
        "- start = 0.25",
        "+ start = 0.3",
    ]


def test_changes_are_added_replaced_and_taken_out(folder: Path) -> None:
    new = set_keys(
        TEXT, folder, "song", {"changes": [{"bar": 5, "tempo": 125.0}, {"bar": 7, "meter": "3/4"}]}
    )
    line = 'changes = [{ bar = 5, tempo = 125.0 }, { bar = 7, meter = "3/4" }]'
    assert lines_changed(new) == [f"+ {line}"]
    again = set_keys(new, folder, "song", {"changes": [{"bar": 5, "tempo": 130.0}]})
    assert lines_changed(again)[-1:] == ["+ changes = [{ bar = 5, tempo = 130.0 }]"]
    assert set_keys(again, folder, "song", {"changes": None}) == TEXT


def test_a_mistake_is_told_in_the_words_of_check(folder: Path) -> None:
    with pytest.raises(SongError, match=r"song\.tempo is 5; expected a number greater than or equal to 10"):
        set_keys(TEXT, folder, "song", {"tempo": 5})
    with pytest.raises(SongError, match="beyond the end of the audio"):
        set_keys(TEXT, folder, "song", {"tempo": 60})
    with pytest.raises(AudioError, match="there is no audio file"):
        set_keys(TEXT, folder, "song", {"audio": "other.wav"})


def test_text_that_is_no_toml_is_told_with_its_line(folder: Path) -> None:
    with pytest.raises(SongError, match="line 4 cannot be read"):
        set_keys(TEXT.replace('title = "Invented"', "title = Invented"), folder, "song", {"tempo": 100})


# Sections


def test_a_section_is_renamed_in_its_line_and_in_all_forms(folder: Path) -> None:
    new = rename_section(TEXT, folder, "verse 1", "story")
    assert lines_changed(new) == [
        '- "verse 1" = { bars = "3-6" }                  # she comes in here',
        '+ "story" = { bars = "3-6" }                  # she comes in here',
        '- "early"   = ["intro bars 2", "Verse 1", "silence 2 beats",   # a breath',
        '+ "early"   = ["intro bars 2", "story", "silence 2 beats",   # a breath',
        '- "late" = { parts = ["verse 1", "refrain bars 3-4", "verse 1"], ending = "ring 1 beat" }',
        '+ "late" = { parts = ["story", "refrain bars 3-4", "story"], ending = "ring 1 beat" }',
    ]
    assert rename_section(new, folder, "STORY", "Verse 1").count("Verse 1") == 4


@pytest.mark.parametrize(
    ("names", "name", "new", "called"),
    [
        (["a", "b"], "b", "verse", [("b", "verse")]),
        (["verse", "b"], "b", "verse", [("verse", "verse 1"), ("b", "verse 2")]),
        (["a", "Verse"], "a", "verse", [("Verse", "verse 2"), ("a", "verse 1")]),
        (["verse 1", "verse 2", "c"], "c", "verse", [("c", "verse 3")]),
        (["verse 1", "b"], "b", "verse 1", [("b", "verse 1")]),  # refused, as the user wrote the number
        (["verse", "b"], "verse", "Verse", [("verse", "Verse")]),
    ],
)
def test_sections_called_the_same_are_numbered(
    names: list[str], name: str, new: str, called: list[tuple[str, str]]
) -> None:
    sections = [Section(n, at, at) for at, n in enumerate(names, 1)]
    assert renames(sections, name, new) == called


def test_names_are_renamed_at_word_boundaries(folder: Path) -> None:
    text = rename_section(rename_section(TEXT, folder, "intro", "verse"), folder, "outro", "verse 1 end")
    new = rename_section(text, folder, "verse 1", "story")
    assert tomllib.loads(new)["forms"]["early"][:2] == ["verse bars 2", "story"]
    assert tomllib.loads(new)["forms"]["early"][-1] == "verse 1 end"


@pytest.mark.parametrize(
    "name, complaint",
    [
        ("Refrain", "taken by"),
        ("silence", "word of the part language"),
        ("refrain bars 3-4", "read as something else"),
        (" two ", "a name needs letters"),
        ("", "a name needs letters"),
    ],
)
def test_names_that_cannot_be_are_refused(folder: Path, name: str, complaint: str) -> None:
    with pytest.raises(SongError, match=complaint):
        rename_section(TEXT, folder, "verse 1", name)


def test_a_split_section_is_two_lines_and_forms_play_what_they_played(folder: Path) -> None:
    new = split_section(TEXT, folder, "refrain", 9, "tag")
    assert '"refrain" = { bars = "7-8", pickup = 1 }\n"tag" = { bars = "9-10" }\n"outro"' in new
    assert 'parts = ["verse 1", "tag", "verse 1"], ending = "ring 1 beat"' in new
    for form in ("early", "late"):
        assert plays(new, folder, form) == plays(TEXT, folder, form)
    assert '"verse 1 b" = { bars = "5-6" }' in split_section(TEXT, folder, "verse 1", 5)
    with pytest.raises(SongError, match="cannot be split at bar 3"):
        split_section(TEXT, folder, "verse 1", 3)


def test_split_repeats_are_repeated_whole(folder: Path) -> None:
    text = set_form(TEXT, folder, "more", ["verse 1 x2 only voice"])
    new = split_section(text, folder, "verse 1", 5, "turn")
    assert tomllib.loads(new)["forms"]["more"] == ["verse 1 only voice", "turn only voice"] * 2
    assert plays(new, folder, "more") == plays(text, folder, "more")


def test_joined_sections_are_one_and_forms_play_what_they_played(folder: Path) -> None:
    text = set_form(TEXT, folder, "more", ["verse 1", "refrain", "refrain", "outro"])
    new = join_sections(text, folder, "refrain")
    assert tomllib.loads(new)["sections"]["verse 1"] == {"bars": "3-10"}
    assert tomllib.loads(new)["forms"]["more"] == ["verse 1", "verse 1 bars 5-8", "outro"]
    for form in ("early", "late", "more"):
        assert plays(new, folder, form) == plays(text, folder, form)
    with pytest.raises(SongError, match="no section ends where"):
        join_sections(TEXT, folder, "intro")


def test_a_line_is_moved_and_forms_go_with_it(folder: Path) -> None:
    new = set_bars(TEXT, folder, "refrain", 8, 10)
    values = tomllib.loads(new)
    assert (values["sections"]["verse 1"]["bars"], values["sections"]["refrain"]["bars"]) == ("3-7", "8-10")
    # its first bars stay its first, as far as bar 8 of the song; bars 9-10 of the song stay these
    assert values["forms"]["early"][3] == "refrain bar 1 x2 without drums and voice"
    assert values["forms"]["late"]["parts"] == ["verse 1", "refrain bars 2-3", "verse 1"]
    assert "# she comes in here" in new
    with pytest.raises(FormError, match=r'forms\."late", part 2: "refrain bars 3-4" would lie outside'):
        set_bars(TEXT, folder, "refrain", 7, 8)
    with pytest.raises(SongError, match="leave nothing of"):
        set_bars(TEXT, folder, "refrain", 3, 10)


def test_sections_are_added_and_taken_out(folder: Path) -> None:
    with pytest.raises(FormError, match=r'forms\."early", part 5: there is no section "outro"'):
        remove_section(TEXT, folder, "outro")
    text = set_form(TEXT, folder, "early", ["intro", "verse 1"])
    less = remove_section(text, folder, "outro")
    assert lines_changed(less, text) == ['- "outro"   = { bars = "11-12" }']
    more = replace_sections(less, folder, [*sections_of(less), Section("coda", 11, 11)])
    assert '"refrain" = { bars = "7-10", pickup = 1 }\n"coda" = { bars = "11" }\n\n[forms]' in more
    with pytest.raises(SongError, match="overlap"):
        replace_sections(less, folder, [*sections_of(less), Section("coda", 10, 11)])


def test_all_sections_are_replaced_and_forms_keep_their_bars(folder: Path) -> None:
    sections = [Section("A", 1, 4), Section("B", 5, 8), Section("refrain", 9, 12)]
    new = replace_sections(TEXT, folder, sections)
    assert list(tomllib.loads(new)["sections"]) == ["A", "B", "refrain"]
    for form in ("early", "late"):
        assert plays(new, folder, form) == plays(TEXT, folder, form)
    with pytest.raises(
        FormError, match=r'forms\."early", part 5: bar 11, which it plays, would be in no section'
    ):
        replace_sections(TEXT, folder, [*sections[:2], Section("C", 9, 10)])


def test_a_pickup_is_set_and_taken_out(folder: Path) -> None:
    new = set_pickup(TEXT, folder, "verse 1", 1.5)
    assert lines_changed(new)[1].startswith('+ "verse 1" = { bars = "3-6", pickup = 1.5 }')
    assert "# she comes in here" in new
    assert tomllib.loads(set_pickup(TEXT, folder, "refrain", 0))["sections"]["refrain"] == {"bars": "7-10"}


# Forms


def test_a_form_is_added_below_the_others(folder: Path) -> None:
    new = set_form(TEXT, folder, "bare", ["intro", "outro"], remark="0:08, less is more")
    assert lines_changed(new) == ["+ # 0:08, less is more", '+ "bare" = ["intro", "outro"]']
    assert remove_form(new, folder, "Bare") == TEXT


def test_a_list_of_parts_is_changed_entry_by_entry(folder: Path) -> None:
    parts = ["intro bars 2", "Verse 1", "silence 2 beats", "outro"]
    assert '"silence 2 beats",   # a breath\n' in set_form(TEXT, folder, "early", parts)
    more = set_form(TEXT, folder, "early", [*parts, "refrain"])
    assert tomllib.loads(more)["forms"]["early"] == [*parts, "refrain"]
    assert "# a breath" in more and "# short" in more


def test_a_long_form_has_a_part_a_line(folder: Path) -> None:
    new = set_form(TEXT, folder, "long", ["verse 1 bars 1-2 without drums"] * 5)
    assert '"long" = [\n    "verse 1 bars 1-2 without drums",\n' in new


def test_ending_and_predecessor_are_set_and_taken_out(folder: Path) -> None:
    new = set_form(TEXT, folder, "late", ["verse 1", "refrain"], ending="cut", replaces="gone")
    assert tomllib.loads(new)["forms"]["late"] == {
        "parts": ["verse 1", "refrain"], "ending": "cut", "replaces": "gone"
    }  # fmt: skip
    plain = set_form(new, folder, "late", ["verse 1"])
    assert tomllib.loads(plain)["forms"]["late"]["parts"] == ["verse 1"]
    with pytest.raises(FormError, match='part 1: there is no section "vers 1"; did you mean "verse 1"'):
        set_form(TEXT, folder, "late", ["vers 1"])


def test_a_renamed_form_keeps_its_listens_and_its_successor(folder: Path) -> None:
    text = set_form(TEXT, folder, "later", ["outro", "intro"], replaces="early")
    new = rename_form(text, folder, "early", "dawn")
    values = tomllib.loads(new)
    assert values["listeners"]["ana"] == {"prior_listens": {"as written": 60, "dawn": 8}, "weight": 2}
    assert values["forms"]["later"]["replaces"] == "dawn"
    assert "# wrote it" in new and "# a breath" in new
    with pytest.raises(SongError, match="there is a form of that name"):
        rename_form(text, folder, "early", "LATE")


def test_a_removed_form_takes_its_prior_listens_with_it(folder: Path) -> None:
    new = remove_form(TEXT, folder, "early")
    assert tomllib.loads(new)["listeners"]["ana"]["prior_listens"] == {"as written": 60}
    assert "# tried and left" in new and "# 0:30, for the brave" in new


# Stems, listeners, plan


def test_stems_are_replaced(folder: Path) -> None:
    text = set_form(TEXT, folder, "early", ["intro"])
    less = set_stems(
        text, folder, {"bass": "stems/bass.wav", "voice": "stems/voice.wav", "guitars": "stems/drums.wav"}
    )
    assert lines_changed(less, text) == [
        '- drums = "stems/drums.wav"   # all of the kit',
        '+ guitars = "stems/drums.wav"',
    ]
    with pytest.raises(FormError, match='there is no stem "drums'):
        set_stems(TEXT, folder, {"bass": "stems/bass.wav", "voice": "stems/voice.wav"})


def test_listeners_come_change_and_go(folder: Path) -> None:
    new = set_listener(TEXT, folder, Listener("bo", {"as written": 3.0}))
    assert lines_changed(new) == ["+ bo = { prior_listens = 3 }"]
    assert remove_listener(new, folder, "bo") == TEXT
    more = set_listener(TEXT, folder, Listener("ana", {"as written": 61, "early": 8}, 2))
    assert lines_changed(more)[1].endswith('"as written" = 61, "early" = 8 }, weight = 2 }   # wrote it')
    assert tomllib.loads(set_listener(TEXT, folder, Listener("ana")))["listeners"]["ana"] == {}
    assert tomllib.loads(rename_listener(TEXT, folder, "ana", "Ana M."))["listeners"]["Ana M."]["weight"] == 2
    with pytest.raises(SongError, match='there is no listener "an"'):
        remove_listener(TEXT, folder, "an")


def test_the_plan_is_set_where_only_comments_stood(folder: Path) -> None:
    new = set_keys(TEXT, folder, "plan", {"rounds": 8, "days": 8})
    assert new == TEXT + "rounds = 8\ndays = 8\n"


# The way a file is written


def test_line_ends_and_a_byte_order_mark_stay(folder: Path) -> None:
    windows = "\ufeff" + TEXT.replace("\n", "\r\n")
    new = set_form(windows, folder, "bare", ["intro", "outro"])
    assert new.startswith("\ufeff") and new.count("\n") == new.count("\r\n") == TEXT.count("\n") + 1


def test_tables_written_in_other_ways(folder: Path) -> None:
    text = """song = { title = "Invented", audio = "song.wav", tempo = 120, start = 0.25 }
sections.a = { bars = "1-4" }
sections."b c".bars = "5-8"
[forms."one"]       # of its own
parts = ["a", "b c"]
ending = "cut"
[[song2]]
""".replace("[[song2]]\n", "")
    new = rename_section(text, folder, "b c", "d")
    new = set_keys(set_pickup(new, folder, "d", 1), folder, "song", {"tempo": 121})
    new = rename_form(set_form(new, folder, "one", ["d", "a"], ending="fade 1 bar"), folder, "one", "two")
    assert tomllib.loads(new) == {
        "song": {"title": "Invented", "audio": "song.wav", "tempo": 121, "start": 0.25},
        "sections": {"a": {"bars": "1-4"}, "d": {"bars": "5-8", "pickup": 1}},
        "forms": {"two": {"parts": ["d", "a"], "ending": "fade 1 bar"}},
    }
    assert "# of its own" in new
