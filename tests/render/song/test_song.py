"""song.toml: what is read, and that every mistake is named with its key and what was expected."""

import re
from pathlib import Path
from typing import Any

import pytest

from render.errors import FormError, SongError
from render.song.forms import Form, Piece
from render.song.grid import Meter
from render.song.song import Song, load_song
from tests.songs import FORMS, make_study

RATE = 8000  # none of these looks at the audio itself


def study(folder: Path, **options: Any) -> Path:
    return make_study(folder, **{"rate": RATE, "subtype": "PCM_16", **options})


def song(folder: Path, **options: Any) -> Song:
    return load_song(study(folder, **options))


def refusal(error: type, folder: Path, **options: Any) -> str:
    with pytest.raises(error) as caught:
        song(folder, **options)
    return str(caught.value)


def edited(folder: Path, old: str, new: str) -> Any:
    """The study's song with a piece of its song.toml replaced."""
    path = study(folder) / "song.toml"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")
    return load_song(folder)


def edit_refusal(folder: Path, old: str, new: str) -> str:
    with pytest.raises(SongError) as caught:
        edited(folder, old, new)
    return str(caught.value)


def texts(form: Form) -> list[str]:
    return [part.text for part in form.parts]


# What is read


def test_a_song_is_read_whole(tmp_path: Path) -> None:
    made = song(
        tmp_path,
        stems=("drums", "voice"),
        song={"changes": [{"bar": 9, "tempo": 60.0}, {"bar": 11, "meter": "2/4"}]},
        bars=20,
        render={"matching": "same gain", "crossfade_ms": 15},
        plan={"rounds": 4, "days": 2},
    )
    assert (made.title, made.audio.sample_rate, made.audio.channels) == ("Invented", RATE, 2)
    assert [s.name for s in made.sections] == ["intro", "verse", "refrain", "outro"]
    assert made.sections[2].pickup_beats == 1
    assert made.grid.stretch(11).meter == Meter(2, 4)
    assert [form.name for form in made.forms] == ["as written", "refrain first", "twice"]
    assert list(made.stems) == ["drums", "voice"]
    assert [(x.name, dict(x.prior_listens)) for x in made.listeners] == [
        ("ana", {"as written": 20}),
        ("bo", {}),
    ]
    assert (made.matching, made.crossfade_ms, made.rounds, made.days) == ("same gain", 15, 4, 2)
    assert made.lead_in_frames == RATE // 4


def test_what_may_be_left_out_has_a_default(tmp_path: Path) -> None:
    study(tmp_path)
    text = '[song]\ntitle = "T"\naudio = "song.wav"\ntempo = 120\n[sections]\na = { bars = 1 }'
    (tmp_path / "song.toml").write_text(text, encoding="utf-8")
    loaded = load_song(tmp_path)
    assert loaded.grid.meter == Meter(4, 4)
    assert [form.name for form in loaded.forms] == ["as written"]
    assert (loaded.matching, loaded.crossfade_ms, loaded.rounds, loaded.days) == ("integrated", 10, 6, 3)


def test_as_written_holds_every_bar_and_names_what_no_section_names(tmp_path: Path) -> None:
    made = song(tmp_path, sections={"late": "7-8", "early": "3-4"}, forms={})
    assert [s.name for s in made.sections] == ["early", "late"]
    assert made.last_bar == 12  # 8 s follow the last section: too long for a tail
    assert texts(made.form("as written")) == ["bars 1-2", "early", "bars 5-6", "late", "bars 9-12"]
    assert made.uncovered == [(1, 2), (5, 6), (9, 12)]


def test_a_short_rest_after_the_last_section_is_its_tail(tmp_path: Path) -> None:
    assert song(tmp_path, sections={"a": "1-10"}, forms={}).last_bar == 10


def test_song_bars_says_where_the_tail_begins(tmp_path: Path) -> None:
    assert song(tmp_path, sections={"a": "1-10"}, forms={}, song={"bars": 11}).last_bar == 11
    assert "a section reaches bar 10" in refusal(
        SongError, tmp_path, sections={"a": "1-10"}, forms={}, song={"bars": 9}
    )
    assert "beyond the end" in refusal(
        SongError, tmp_path, sections={"a": "1-10"}, forms={}, song={"bars": 99}
    )


def test_a_last_bar_that_the_audio_does_not_fill_is_a_bar(tmp_path: Path) -> None:
    assert song(tmp_path, tail_s=-0.5).last_bar == 12


def test_as_written_may_be_listed_but_not_changed(tmp_path: Path) -> None:
    assert len(song(tmp_path, forms={"As Written": ["intro", "verse", "refrain", "outro"]}).forms) == 1
    for parts in (["intro", "verse", "outro"], ["verse", "intro", "refrain", "outro"]):
        assert "the whole song in its own order" in refusal(FormError, tmp_path, forms={"as written": parts})


def test_prior_listens_by_form(tmp_path: Path) -> None:
    made = song(tmp_path, listeners={"ana": {"prior_listens": {"As written": 60, "TWICE": 8}, "weight": 2}})
    assert dict(made.listeners[0].prior_listens) == {"as written": 60, "twice": 8}
    assert made.listeners[0].weight == 2


def test_a_form_with_an_ending_and_a_predecessor(tmp_path: Path) -> None:
    form = song(tmp_path, forms={"a": {"parts": ["verse"], "ending": "fade 2 bars", "replaces": "b"}}).form(
        "A"
    )
    assert (str(form.ending), form.replaces) == ("fade 2 bars", "b")


def test_a_byte_order_mark_is_no_mistake(tmp_path: Path) -> None:
    path = study(tmp_path) / "song.toml"
    path.write_text(path.read_text(encoding="utf-8"), encoding="utf-8-sig")
    assert load_song(tmp_path).title == "Invented"


# song.toml in disorder


def test_a_study_without_a_song_toml(tmp_path: Path) -> None:
    with pytest.raises(SongError, match=r"there is no song\.toml in .*fairhearing new AUDIO"):
        load_song(tmp_path)


def test_a_song_toml_that_is_not_text(tmp_path: Path) -> None:
    (tmp_path / "song.toml").write_bytes(b"\xff\xfe[\x00s\x00")
    with pytest.raises(SongError, match="not UTF-8 text"):
        load_song(tmp_path)


def test_a_toml_syntax_error_is_given_with_its_line(tmp_path: Path) -> None:
    assert "line 3" in edit_refusal(tmp_path, '"audio" = "song.wav"', '"audio" = song.wav')


def test_a_name_listed_twice_is_given_with_its_line(tmp_path: Path) -> None:
    message = edit_refusal(tmp_path, '"verse" = { "bars"', '"intro" = { "bars"')
    assert re.search(r"not valid TOML.*line \d+", message)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"tempo" = 120', "", "song.tempo is missing; add it"),
        ('"tempo" = 120', '"tempo" = "fast"', 'song.tempo is "fast"; expected a number'),
        ('"tempo" = 120', '"tempo" = 0', "song.tempo is 0; expected a number greater than"),
        ('"tempo" = 120', '"tempo" = nan', "song.tempo is nan; expected a finite number"),
        ('"tempo" = 120', '"temp" = 120', 'song.temp is not a key of this file; did you mean "tempo"?'),
        ('"4/4"', '"4/5"', 'song.meter is "4/5"; expected a meter such as "4/4"'),
        ("[sections]", "[section]", 'section is not a key of this file; did you mean "sections"?'),
        ("[forms]", '[forms]\nx = "intro"', 'forms.x is "intro"; expected a list of parts'),
        ("[forms]", "[forms]\nx = [1]", "forms.x.parts.entry 1 is 1; expected a string"),
        ("[forms]", '[forms]\nx = { parts = ["intro"], endin = "cut" }', 'did you mean "ending"?'),
        (
            "[forms]",
            '[render]\nmatching = "loud"\n[forms]',
            "render.matching is \"loud\"; expected 'integrated'",
        ),
        ("[forms]", "[plan]\nrounds = 0\n[forms]", "plan.rounds is 0"),
        ('"bo" = {  }', "bo = { prior_listens = -1 }", "is -1; expected a number greater than or equal to 0"),
        ('"bo" = {  }', 'bo = { prior_listens = "many" }', 'prior_listens is "many"; expected a number'),
        ('"bo" = {  }', "bo = { prior_listens = { twise = 2 } }", 'no form "twise"; did you mean "twice"?'),
        ('"bo" = {  }', "Ana = {}", 'the name is taken by "ana"'),
        ('"start" = 0.25', '"start" = 99', "bar 1 cannot begin at 99.0 s"),
        ('"start" = 0.25', '"start" = -1', "song.start is -1"),
        ('"start" = 0.25', '"changes" = [{ bar = 3 }]', "bar 3 changes nothing"),
        (
            '"start" = 0.25',
            '"changes" = [{ bar = 99, tempo = 90 }]',
            "bar 99 lies beyond the end of the audio",
        ),
        (
            '"start" = 0.25',
            '"changes" = [{ bar = 3, tempo = 90 }, { bar = 3, meter = "3/4" }]',
            "bar 3 is changed twice",
        ),
    ],
)
def test_each_mistake_names_its_key_and_what_was_expected(
    tmp_path: Path, old: str, new: str, said: str
) -> None:
    assert said in edit_refusal(tmp_path, old, new)


def test_all_mistakes_of_shape_are_told_at_once(tmp_path: Path) -> None:
    path = study(tmp_path) / "song.toml"
    text = (
        path.read_text(encoding="utf-8").replace('"4/4"', '"4/5"').replace('"tempo" = 120', '"tempp" = 120')
    )
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SongError) as refused:
        load_song(tmp_path)
    assert str(refused.value).splitlines() == [
        'song.toml: song.tempp is not a key of this file; did you mean "tempo"?',
        "  song.tempo is missing; add it",
        '  song.meter is "4/5"; expected a meter such as "4/4" or "7/8"',
    ]


def test_a_long_list_of_mistakes_is_cut(tmp_path: Path) -> None:
    lines = "\n".join(f'wrong{number} = "1-2"' for number in range(12))
    refusals = edit_refusal(tmp_path, "[forms]", f"[plan]\n{lines}\n[forms]").splitlines()
    assert len(refusals) == 8 and refusals[-1] == "  and 5 more like these"


# Sections and forms in disorder


def test_a_section_without_its_table(tmp_path: Path) -> None:
    refusal = edit_refusal(tmp_path, "[sections]", '[sections]\nhook = "1-2"')
    assert refusal == 'song.toml: sections.hook is "1-2"; expected a table: { bars = "1-2" }'


@pytest.mark.parametrize(
    ("sections", "said"),
    [
        ({"a": "1-4", "b": "4-6"}, 'sections."b": bars 4-6 overlap "a" (bars 1-4)'),
        ({"a": "1-9", "b": "2-3", "c": "5-6"}, 'overlap "a"'),
        ({"a": "1-14"}, "bars 1-14 go beyond the end of the audio (24.75 s), which ends in bar 13"),
        ({"a": "1-200"}, "go beyond the end of the audio"),
        ({"a": "0-2"}, "counted from 1"),
        ({"a": "4-2"}, "run backwards"),
        ({"a": "one"}, '"one" is not a range of bars'),
        ({"Verse": "1-2", "verse": "3-4"}, 'the name is taken by "Verse" (capitals do not count)'),
        ({"long silence": "1-2"}, "a word of the part language"),
        ({" verse": "1-2"}, "single spaces and none at its ends"),
        ({"": "1-2"}, "a name needs letters"),
        ({}, "sections is {}; expected at least one entry"),
    ],
)
def test_sections_in_disorder(tmp_path: Path, sections: dict[str, str], said: str) -> None:
    assert said in refusal(SongError, tmp_path, sections=sections, forms={})


@pytest.mark.parametrize(
    ("parts", "said"),
    [
        ([], 'forms."x": the form has no parts'),
        (["silence 1 bar"], 'forms."x": the form is silent throughout'),
        (["intro", "refrane"], 'forms."x", part 2: there is no section "refrane"; did you mean "refrain"?'),
        (["intro x0"], 'forms."x", part 1: x0 is not a number of repeats'),
        (["intro bars 3"], 'forms."x", part 1: "intro" has 2 bars'),
        (["intro without bas"], 'forms."x", part 1: "without" needs stems'),
        (["intro x499", "verse x2"], 'forms."x": more than 500 parts'),
        ({"parts": ["intro"], "ending": "stop"}, 'forms."x", ending: "stop" is not an ending'),
        ({"parts": ["intro", "silence 1 bar"], "ending": "cut"}, "ends with a silence already"),
    ],
)
def test_forms_in_disorder(tmp_path: Path, parts: dict[str, list[str] | str] | list[str], said: str) -> None:
    assert said in refusal(FormError, tmp_path, forms={"x": parts})


def test_500_parts_are_a_form(tmp_path: Path) -> None:
    assert len(song(tmp_path, forms={"x": ["intro bars 1 x499", "outro"]}).form("x").parts) == 500


def test_an_unknown_stem(tmp_path: Path) -> None:
    message = refusal(FormError, tmp_path, stems=("bass", "voice"), forms={"x": ["intro without bas"]})
    assert message == 'forms."x", part 1: there is no stem "bas"; did you mean "bass"?'


def test_names_that_differ_in_capitals_alone(tmp_path: Path) -> None:
    assert 'forms."TWICE": the name is taken by "twice"' in refusal(
        SongError, tmp_path, forms={**FORMS, "TWICE": ["intro"]}
    )
    stems = {"stems": {"Bass": "song.wav", "bass": "song.wav"}}
    assert 'the name is taken by "Bass"' in edit_refusal(
        tmp_path, "[stems]", "[stems]\n" + "\n".join(f'{k} = "{v}"' for k, v in stems["stems"].items())
    )


def test_a_form_that_does_not_exist(tmp_path: Path) -> None:
    with pytest.raises(SongError, match=r'no form "twize" in song\.toml; did you mean "twice"'):
        song(tmp_path).form("twize")


def test_parts_keep_their_entry_in_song_toml(tmp_path: Path) -> None:
    form = song(tmp_path).form("twice")
    assert [form.entry(k) for k in range(len(form.parts))] == [1, 2, 3, 3, 4, 5]
    assert all(isinstance(p, Piece) for p in form.parts[:4])
