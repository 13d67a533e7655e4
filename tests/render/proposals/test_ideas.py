"""Ideas: legal forms that differ, each with a reason; and song.toml kept as its author wrote it."""

import difflib
import itertools
import tomllib
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import soundfile

from render.audio.stems import read_audio
from render.audio.timeline import lay_out
from render.edits.forms import set_form
from render.proposals.idea import Idea, called_after
from render.proposals.ideas import propose
from render.song.forms import Piece
from render.song.song import Song, load_song, song_from_text
from tests.invented_songs import InventedSong, Passage, play

RATE = 16000
SONG = InventedSong(
    "ideas",
    120.0,
    (
        Passage("intro", 4, "C G Am F", "none"),
        Passage("verse", 8, "C G Am F", "rock", "pluck", 1, -3),
        Passage("refrain", 8, "F G C Am", "four", "pad", 2, 1),
        Passage("verse", 8, "C G Am F", "rock", "pluck", 1, -3),
        Passage("refrain", 8, "F G C Am", "four", "pad", 2, 1),
        Passage("bridge", 4, "Dm Em Dm E", "toms", "piano", 3, -2),
        Passage("refrain", 8, "F G C Am", "four", "pad", 2, 1),
        Passage("outro", 4, "C G Am F", "none"),
    ),
)
NAMES = ("intro", "verse 1", "refrain 1", "verse 2", "refrain 2", "bridge", "last refrain", "outro")
LETTERS = ("A 1", "B 1", "C 1", "B 2", "C 2", "D", "C 3", "A 2")
TOML = """# my song
[song]
title = "Ideas"   # a working title
audio = "ideas.wav"
tempo = 120
start = 0.4
STEMS
[sections]
SECTIONS

[forms]   # to try
"plain" = [
    "NAME1",   # comment within
    "NAME2",
]
# a thought for later

# who listens
[listeners]
ana = {}
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("ideas")
    sound = play(SONG, RATE)
    soundfile.write(folder / "ideas.wav", sound, RATE, subtype="FLOAT")
    soundfile.write(folder / "drums.wav", 0.25 * sound, RATE, subtype="FLOAT")
    soundfile.write(folder / "rest.wav", 0.75 * sound, RATE, subtype="FLOAT")
    return folder


def toml(names: tuple[str, ...] = NAMES, stems: bool = True) -> str:
    bars = [(a, b - 1) for a, b in itertools.pairwise(SONG.boundaries)]
    sections = "\n".join(f'"{n}" = {{ bars = "{a}-{b}" }}' for n, (a, b) in zip(names, bars, strict=True))
    listed = '[stems]\ndrums = "drums.wav"\nrest = "rest.wav"' if stems else ""
    text = TOML.replace("SECTIONS", sections).replace("STEMS", listed)
    return text.replace("NAME1", names[1]).replace("NAME2", names[2])


@cache
def proposed(folder: Path, names: tuple[str, ...] = NAMES, seed: int = 1) -> tuple[Song, list[Idea]]:
    return proposed_anew(folder, names, seed)


def proposed_anew(folder: Path, names: tuple[str, ...], seed: int) -> tuple[Song, list[Idea]]:
    (folder / "song.toml").write_text(toml(names), encoding="utf-8")
    song = load_song(folder)
    return song, propose(song, read_audio(song.audio.path), 6, seed)


def taken_in(text: str, ideas: list[Idea], folder: Path) -> str:
    for idea in ideas:
        text = set_form(text, folder, idea.name, idea.texts, remark=idea.remark)
    return text


@pytest.mark.parametrize("names", [NAMES, LETTERS])
def test_ideas_are_legal_fitting_and_reasoned(folder: Path, names: tuple[str, ...]) -> None:
    song, ideas = proposed(folder, names)
    assert len(ideas) == 6
    with_ideas = song_from_text(taken_in(toml(names), ideas, folder), folder)
    for idea in ideas:
        timeline = lay_out(with_ideas, with_ideas.form(idea.name))
        assert idea.seconds == pytest.approx((timeline.stop - timeline.start) / RATE)
        assert 0.5 * song.audio.seconds < idea.seconds < 1.35 * song.audio.seconds
        assert len(idea.reason.split()) >= 5 and 0 <= idea.clean <= 1


def bars_heard(song: Song, name: str) -> list[tuple[int, str]]:
    return [
        (bar, str(part.treatment))
        for part in song.form(name).parts
        if isinstance(part, Piece)
        for bar in range(part.first_bar, part.last_bar + 1)
    ]


def test_ideas_differ_from_the_song_and_from_each_other(folder: Path) -> None:
    _song, ideas = proposed(folder)
    there = song_from_text(taken_in(toml(), ideas, folder), folder)
    heard = [bars_heard(there, form.name) for form in there.forms]
    heard_with_silence = [tuple(form.texts) if i else ("as written",) for i, form in enumerate(there.forms)]
    assert len(set(heard_with_silence)) == len(heard)
    assert sum(h != heard[0] for h in heard[1:]) >= len(heard) - 2  # one may only add a silence
    openings = {tuple(h[:2]) for h in heard}
    assert len(openings) >= 3


def test_the_same_seed_gives_the_same_ideas_and_another_others(folder: Path) -> None:
    _, one = proposed(folder, seed=1)
    _, same = proposed_anew(folder, NAMES, 1)
    assert one == same
    assert any(proposed(folder, seed=seed)[1] != one for seed in (2, 3, 4))


def test_a_song_of_one_section_still_gets_ideas(folder: Path) -> None:
    text = '[song]\ntitle = "x"\naudio = "ideas.wav"\ntempo = 120\nstart = 0.4\n'
    text += '[sections]\nA = { bars = "1-52" }\n'
    song = song_from_text(text, folder)
    ideas = propose(song, read_audio(song.audio.path), 3, 1, longest=2.1)
    assert ideas and all(i.texts for i in ideas)


def test_writing_keeps_everything_else(folder: Path) -> None:
    _, ideas = proposed(folder)
    text = toml()
    new = taken_in(text, ideas, folder)
    steps = list(difflib.ndiff(text.splitlines(), new.splitlines()))
    assert not [line for line in steps if line.startswith("-")]
    assert [f"+ # {i.length_text}, {i.reason}" in steps for i in ideas] == [True] * len(ideas)
    new_lines = new.splitlines()
    last = new_lines.index(f"# {ideas[-1].length_text}, {ideas[-1].reason}")
    assert new_lines.index("# a thought for later") > last
    assert list(tomllib.loads(new)["forms"]) == ["plain", *(i.name for i in ideas)]
    assert tomllib.loads(new)["forms"].items() >= {i.name: list(i.texts) for i in ideas}.items()


def test_ideas_prefer_clean_joins(folder: Path) -> None:
    """Forms whose joins cut a held sound come after forms that do not."""
    sound = play(SONG, RATE)
    held = sound.copy()
    t = np.arange(4 * RATE) / RATE
    line = round((0.4 + 36 * 2.0) * RATE)  # bar 37: the end of refrain 2
    held[line - 2 * RATE : line + 2 * RATE] += (0.4 * np.sin(2 * np.pi * 1234 * t) * np.hanning(len(t)))[
        :, None
    ]
    (folder / "song.toml").write_text(toml(stems=False), encoding="utf-8")
    song = load_song(folder)
    plain = {i.texts: i.clean for i in propose(song, sound, 12, 1)}
    spoiled = {i.texts: i.clean for i in propose(song, held.astype(np.float32), 12, 1)}
    common = plain.keys() & spoiled.keys()
    assert all(spoiled[texts] <= plain[texts] for texts in common)
    assert any(spoiled[texts] < plain[texts] for texts in common) or plain.keys() != spoiled.keys()
    assert list(plain.items()) != list(spoiled.items())


def test_with_stems_one_of_the_ideas_leaves_one_out(folder: Path) -> None:
    _song, ideas = proposed(folder)
    assert any(" without drums" in text for idea in ideas for text in idea.texts)


def test_no_section_follows_itself_from_the_top_by_accident(folder: Path) -> None:
    song, ideas = proposed(folder, seed=3)
    written = {(a, b) for a, b in itertools.pairwise(s.name for s in song.sections)}
    for idea in ideas:
        assert not any(a == b and (a, b) not in written for a, b in itertools.pairwise(idea.texts)), idea


def test_trying_orders_can_be_watched_and_cancelled(folder: Path) -> None:
    song = load_song(folder)
    told: list[tuple[str, int, int]] = []

    class Enough(Exception):
        pass

    def step(what: str, done: int, of: int) -> None:
        told.append((what, done, of))
        if done == 3:
            raise Enough

    with pytest.raises(Enough):
        propose(song, read_audio(song.audio.path), 3, 1, step=step)
    assert [done for _, done, _ in told] == [1, 2, 3] and told[0][2] > 10 and told[0][0]


@pytest.mark.parametrize(
    ("idea", "called"),
    [
        ("early E", "early bridge"), ("no A, E first", "no A, bridge first"),
        ("E", "E"), ("E mine", "E mine"),
        ("E 2 without drums", "E 2 without drums"), ("E without drums", "bridge without drums"),
        ("breath before e", "breath before bridge"), ("early E 2", "early E 2"),
    ],
)  # fmt: skip
def test_an_ideas_name_follows_the_section_that_it_is_called_after(idea: str, called: str) -> None:
    assert called_after(idea, "E", "bridge") == called
