"""Bad input by the thousand: no traceback, no hang, one message, exit code 0, 1 or 2, nothing half-taken.

    FAIRHEARING_CAMPAIGN=200 pytest tests/listening/test_bad_input.py   (some thousand examples each)

The page has its own tests of this kind (test_page_faults.py, test_page_leaks.py).
"""

from __future__ import annotations

import hashlib
import json
import shutil
from datetime import timedelta
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from listening.packet.collect import collect
from render.audio.timeline import lay_out
from render.errors import AnswersError, FairhearingError, FormError
from render.song.forms import Section, parse_ending, parse_part
from render.song.song import load_song
from sessions.study import Study
from tests.clocks import EVENING_UTC, Ticking
from tests.command_line import told
from tests.far_listener import answers_of
from tests.killing import KILLS
from tests.short_study import small_study
from tests.songs import make_study

QUICK = 60 * KILLS  # examples of what takes a millisecond
SLOW = 3 * KILLS  # of what takes a command
PATIENCE = timedelta(seconds=20)  # a hang is longer than this, even on a busy machine
COMMON: dict[str, Any] = {
    "deadline": PATIENCE,
    "suppress_health_check": [HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
}


def one_message(error: Exception) -> None:
    """Short, ours, and not a library's."""
    text = str(error)
    assert text and len(text) < 2000 and "pydantic" not in text


def altered(content: bytes) -> st.SearchStrategy[bytes]:
    """The content with a stretch of it cut out, doubled, moved or written over with anything."""
    place = st.integers(0, len(content))

    def alter(two: tuple[int, int], with_: bytes, keep: bool) -> bytes:
        low, high = sorted(two)
        return content[:low] + with_ + (content[low:] if keep else content[high:])

    return st.builds(alter, st.tuples(place, place), st.binary(max_size=40), st.booleans())


# The part language

WORDS = ("verse", "verse 1", "refrain", "Bridge", "bars", "bar", "x2", "x", "x 3", "x999999", "-", "1-2",
         "2-1", "0", "1.5", "1/3", "-1", "1e9", "silence", "beats", "beat", "without", "only", "and", "voice",
         "bass", "×", "ß", "İ", "\u200b", "９", "²", "1_0", "nan", "inf", "\x00", "“verse”")  # fmt: skip
SECTIONS = [Section("verse", 1, 4), Section("verse 1", 5, 8, Fraction(1)), Section("Bridge", 9, 9),
            Section("refrain", 10, 17)]  # fmt: skip
PARTS = st.one_of(
    st.lists(st.sampled_from(WORDS), max_size=9).map(" ".join),
    st.lists(st.sampled_from(WORDS), max_size=9).map("".join),
    st.text(max_size=40),
)


@settings(max_examples=4 * QUICK, **COMMON)
@given(PARTS)
def test_any_part_is_parts_or_one_message(text: str) -> None:
    try:
        parts = parse_part(text, SECTIONS, ["voice", "bass"], 'forms."x", part 1')
    except FormError as error:
        one_message(error)
        assert str(error).startswith('forms."x", part 1')
    else:
        assert 1 <= len(parts) <= 1000


@settings(max_examples=QUICK, **COMMON)
@given(
    st.one_of(st.lists(st.sampled_from((*WORDS, "ring", "cut", "fade")), max_size=5).map(" ".join), st.text())
)
def test_any_ending_is_one_or_one_message(text: str) -> None:
    try:
        parse_ending(text, "ending")
    except FormError as error:
        one_message(error)


# song.toml


@pytest.fixture(scope="module")
def song_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_study(
        tmp_path_factory.mktemp("song"), rate=8000, channels=1, stems=("drums", "voice"),
        forms={"turned": ["refrain", "verse without voice"],
               "gone": {"parts": ["verse", "silence 2 beats"], "replaces": "turned"}},
        song={"changes": [{"bar": 5, "tempo": 60.0}]}, plan={"rounds": 4, "days": 2},
        render={"matching": "same gain", "crossfade_ms": 15},
    )  # fmt: skip


def load_whole(folder: Path) -> None:
    """Read the song and lay out its forms; an error is one message."""
    try:
        song = load_song(folder)
        for form in song.forms:
            lay_out(song, form)
    except FairhearingError as error:
        one_message(error)


@settings(max_examples=QUICK, **COMMON)
@given(data=st.data())
def test_a_mistyped_song_toml_is_read_or_one_message(song_folder: Path, data: st.DataObject) -> None:
    path = song_folder / "song.toml"
    whole = path.read_bytes()
    try:
        path.write_bytes(data.draw(altered(whole)))
        load_whole(song_folder)
    finally:
        path.write_bytes(whole)


INNER_KEYS = ("bars", "pickup", "parts", "ending", "replaces", "tempo", "bar", "meter", "weight",
              "prior_listens", "as written")  # fmt: skip
VALUES = st.recursive(
    st.one_of(
        st.sampled_from(["1-4", "9-1", "verse", "verse x2", "silence 1 bar", "song.wav", "4/4", "0/0", ".."]),
        st.integers(-(10**20), 10**20), st.floats(), st.booleans(), st.text(max_size=12), PARTS,
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.dictionaries(st.sampled_from(INNER_KEYS), inner, max_size=4),
    ),
    max_leaves=6,
)  # fmt: skip
OUTER_KEYS = ("title", "audio", "tempo", "meter", "start", "changes", "bars", "verse", "rounds", "days",
              "matching", "crossfade_ms", "ana", "as written")  # fmt: skip
KEYS = st.one_of(st.sampled_from(OUTER_KEYS), st.text(max_size=6))
TABLES = ("song", "stems", "sections", "forms", "listeners", "render", "plan")


@settings(max_examples=QUICK, **COMMON)
@given(changes=st.lists(st.tuples(st.sampled_from(TABLES), KEYS, VALUES), min_size=1, max_size=4))
def test_any_value_in_song_toml_is_taken_or_one_message(
    song_folder: Path, changes: list[tuple[str, str, Any]]
) -> None:
    import tomllib

    path = song_folder / "song.toml"
    whole = path.read_text(encoding="utf-8")
    document = tomllib.loads(whole)
    for table, key, value in changes:
        document.setdefault(table, {})[key] = value
    try:
        path.write_text(as_toml(document), encoding="utf-8", errors="surrogatepass")
        load_whole(song_folder)
    finally:
        path.write_text(whole, encoding="utf-8")


def as_toml(value: Any) -> str:
    """A document in TOML, tables written inline."""
    if isinstance(value, dict) and value and all(isinstance(v, dict) for v in value.values()):
        return "\n".join(f"{inline(key)} = {inline(table)}" for key, table in value.items())
    return inline(value)


def inline(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{inline(k)} = {inline(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(inline, value)) + "]"
    if isinstance(value, bool | str):
        return json.dumps(value)
    return str(value)


@settings(max_examples=SLOW, **COMMON)
@given(data=st.data())
def test_a_mistyped_song_toml_ends_a_command_with_one_message(song_folder: Path, data: st.DataObject) -> None:
    path = song_folder / "song.toml"
    whole = path.read_bytes()
    try:
        path.write_bytes(data.draw(altered(whole)))
        either(song_folder, data.draw(st.sampled_from(["status", "check"])))
    finally:
        path.write_bytes(whole)


def either(folder: Path, *arguments: str, study: bool = True) -> bool:
    """A command that may work or end with one message; whether it worked."""
    try:
        told(folder, *arguments, study=study)
    except AssertionError as error:
        if not str(error).startswith("exit 1: "):
            raise
        told(folder, *arguments, code=1, study=study)
        return False
    return True


# Audio


@pytest.fixture(scope="module")
def bounces(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """A second of noise in every container that is read."""
    folder = tmp_path_factory.mktemp("bounces")
    noise = np.random.default_rng(1).normal(0, 0.1, (8000, 2))
    contents = {}
    for kind, subtype in (("WAV", "PCM_24"), ("WAV", "FLOAT"), ("FLAC", "PCM_24"), ("AIFF", "PCM_16"),
                          ("OGG", "VORBIS")):  # fmt: skip
        path = folder / f"{kind}-{subtype}"
        soundfile.write(path, noise, 8000, format=kind, subtype=subtype)
        contents[path.name] = path.read_bytes()
    return contents


@settings(max_examples=2 * SLOW, **COMMON)
@given(data=st.data())
def test_any_bytes_as_audio_are_a_song_or_one_message(
    tmp_path: Path, bounces: dict[str, bytes], data: st.DataObject
) -> None:
    whole = bounces[data.draw(st.sampled_from(sorted(bounces)))]
    content = data.draw(st.one_of(st.binary(max_size=400), altered(whole), altered(whole[:80]).map(
        lambda head: head + whole[80:])))  # fmt: skip
    toml = ('[song]\ntitle = "x"\naudio = "song.wav"\ntempo = 240\nmeter = "1/4"\n'
            '[sections]\na = {bars = "1-2"}\n[forms]\nb = ["a bars 2", "a bars 1"]\n')  # fmt: skip
    (tmp_path / "song.toml").write_text(toml)
    (tmp_path / "song.wav").write_bytes(content)
    shutil.rmtree(tmp_path / "renders", ignore_errors=True)
    (tmp_path / "log.sqlite").unlink(missing_ok=True)
    for command in ("check", "render"):
        either(tmp_path, command)
    (tmp_path / "song.toml").unlink()
    either(tmp_path, "new", str(tmp_path / "song.wav"), "--yes", study=False)


# Answers from afar


@pytest.fixture(scope="module")
def answered(tmp_path_factory: pytest.TempPathFactory) -> Study:
    study = small_study(tmp_path_factory.mktemp("answered") / "study")
    answers_of(study, study.folder / "answers.json")
    return study


JSON = st.recursive(
    st.one_of(
        st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=20),
        st.sampled_from([50, 100, 101, -1, "2026-03-02T19:00:00Z",
                         "0001-01-01T00:00:00Z", "9999-12-31T23:59:59Z",
                         "0001-01-01T00:00:00+05:00", "9999-12-31T23:59:59-05:00",
                         "stopped", "overall", "flow", "\x00", "\ud800", 1e308, 840, -720, 2**63]),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=5), inner, max_size=3)
    ),
    max_leaves=5,
)  # fmt: skip
FIELDS = (
    "code",
    "heard_on",
    "minutes_east",
    "began",
    "ended",
    "heard_s",
    "reason",
    "ratings",
    "comments",
    "more",
)


def require_sane(study: Study) -> None:
    """All that was taken in is what a listener can have sent."""
    for listen in study.log.contents().listens:
        assert all(0 <= value <= 100 for value in listen.ratings.values())
        assert 0 <= listen.frames_delivered <= listen.frames
        assert listen.ended_utc is not None
    forms = [(x.round_id, x.form_id) for x in study.log.contents().listens if x.rating is not None]
    assert len(forms) == len(set(forms))


@settings(max_examples=8 * SLOW, **COMMON)
@given(changes=st.lists(st.tuples(st.integers(0, 5), st.sampled_from(FIELDS), JSON), min_size=1, max_size=4))
def test_any_answers_are_taken_in_or_one_message(
    answered: Study, tmp_path: Path, changes: list[tuple[int, str, Any]]
) -> None:
    """The packet's own sum and signature are right: only what it says is not."""
    content = json.loads((answered.folder / "answers.json").read_text())
    answers = json.loads(content["answers"])
    for place, field, value in changes:
        answers["listens"][place][field] = value
    text = json.dumps(answers)
    content |= {"answers": text, "sha256": hashlib.sha256(text.encode()).hexdigest()}
    study = fresh(answered, tmp_path)
    path = tmp_path / "changed.json"
    path.write_text(json.dumps(content))
    try:
        collected = collect(study, path)
    except AnswersError as error:
        one_message(error)
        assert study.log.contents().listens == ()
    else:
        names = [form.name for form in study.manifest.forms]
        assert not any(name in line for line in collected.lines for name in names)
    require_sane(study)


def fresh(study: Study, folder: Path) -> Study:
    """The study as it was before any answer was taken in."""
    shutil.rmtree(folder / "study", ignore_errors=True)
    shutil.copytree(study.folder, folder / "study")
    return Study(folder / "study", Ticking(EVENING_UTC + timedelta(hours=5)))


@settings(max_examples=4 * SLOW, **COMMON)
@given(data=st.data())
def test_a_damaged_answer_file_is_refused_whole(answered: Study, tmp_path: Path, data: st.DataObject) -> None:
    whole = (answered.folder / "answers.json").read_bytes()
    content = data.draw(st.one_of(altered(whole), st.binary(max_size=300)))
    assume(not same_json(content, whole))
    path = tmp_path / "damaged.json"
    path.write_bytes(content)
    with pytest.raises(AnswersError) as caught:
        collect(answered, path)
    one_message(caught.value)
    assert str(path) in str(caught.value)
    assert answered.log.contents().listens == ()


def same_json(one: bytes, other: bytes) -> bool:
    """Whether an alteration altered nothing but blanks."""
    try:
        return bool(json.loads(one) == json.loads(other))
    except ValueError:
        return False


# Ratings from anywhere

COLUMNS = ("listener", "day", "round", "position", "form", "rating", "listen", "sitting", "exposure",
           "prior_listens", "Rating", "glow", "")  # fmt: skip
CELLS = st.one_of(
    st.sampled_from(["ana", "bo", "one", "two", "1", "2", "3", "60", "55,5", "2026-03-02", "101", "-1", "nan",
                     "inf", "1e400", "", " ", '"', "\x00", "٣", "1_0", "=1+1", "2026-02-30",
                     "9" * 40, "0", "1e17"]),
    st.text(max_size=8),
)  # fmt: skip


@st.composite
def sheets(draw: st.DrawFn) -> bytes:
    """A table that is nearly right: good rows, with cells, columns and separators that are not."""
    separator = draw(st.sampled_from([",", ";", "\t"]))
    columns = [*COLUMNS[:6], *draw(st.lists(st.sampled_from(COLUMNS), max_size=2))]
    rows = [
        [name, str(number), str(number), str(at), form, str(40 + 7 * at)] + ["1"] * (len(columns) - 6)
        for name in ("ana", "bo") for number in (1, 2) for at, form in enumerate(("one", "two"), 1)
    ]  # fmt: skip
    for _ in range(draw(st.integers(0, 4))):
        row = draw(st.sampled_from(rows))
        row[draw(st.integers(0, len(row) - 1))] = draw(CELLS)
    text = "\n".join(separator.join(line) for line in [columns, *rows])
    return text.encode(draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "latin-1"])), "replace")


@settings(max_examples=4 * SLOW, **COMMON)
@given(content=st.one_of(sheets(), st.binary(max_size=200)))
def test_any_sheet_of_ratings_is_judged_or_one_message(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "sheet.csv").write_bytes(content)
    either(tmp_path, "verdict", str(tmp_path / "sheet.csv"), study=False)


# Names on the command line


@settings(max_examples=SLOW, **COMMON)
@given(name=st.text(max_size=30))
def test_any_name_is_a_listener_a_form_or_one_message(answered: Study, name: str) -> None:
    known = [x.name for x in answered.song.listeners] + [form.name for form in answered.song.forms]
    assume(name.casefold() not in [one.casefold() for one in known])
    for arguments in (["packet", "--", name], ["decide", "--because", "so", "--", name or "?"]):
        told(answered.folder, *arguments, code=1)
