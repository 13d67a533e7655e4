"""`check` and `ideas`, not computed again while song.toml, audio and stems are as they were."""

from __future__ import annotations

import tomllib
from pathlib import Path

from listening.check_result import Checked
from render.errors import SongError
from render.files import replacing
from render.kept import kept, kept_already, key_of
from render.proposals.idea import Idea
from render.renders.manifest import RENDERS
from render.song.song import SONG_FILE, read_text
from render.steps import Step
from sessions.study import Study

CHECK_FILE = "check.json"
BETTER = ("better_tempo", "better_start_s", "better_downbeat_beats")


def check_study(study: Study, step: Step) -> Checked:
    """What `listening.checking.examine_song` finds, or found while all was as it is now.

    Raises:
        SongError, FormError, AudioError: the song is not in order.
    """

    def compute() -> Checked:
        from listening.checking import examine_song

        return examine_song(study, step)

    try:
        study.require_known_predecessors()
        key = check_key(study)
    except SongError:
        return compute()  # it says more about what is wrong
    return kept(study.folder / RENDERS / CHECK_FILE, key, Checked, compute)


def beat_trouble(study: Study) -> str:
    """What `check` found wrong with tempo or start, if it was run on the song as it is now; else ""."""
    path = study.folder / RENDERS / CHECK_FILE
    found: Checked | None = kept_already(path, check_key(study), Checked) if path.exists() else None
    if found is None or not (found.tempo["drifts"] or any(found.tempo[key] is not None for key in BETTER)):
        return ""
    return str(found.tempo["headline"])


def check_key(study: Study) -> str:
    """What a check depends on, as one key."""
    text, joining = read_text(study.folder / SONG_FILE), study.song.joining
    return key_of("check", joining, text, files=_files(study), folder=study.folder)


def propose_ideas(study: Study, count: int, seed: int, *, write: bool, step: Step) -> list[Idea]:
    """Forms worth trying; with `write`, added to song.toml."""

    def compute() -> list[Idea]:
        from render.audio.stems import read_audio
        from render.proposals.ideas import propose

        return propose(study.song, read_audio(study.song.audio.path), count, seed, step=step)

    text = read_text(study.folder / SONG_FILE)
    key = key_of("ideas", count, seed, study.song.joining, text, files=_files(study), folder=study.folder)
    ideas = kept(study.folder / RENDERS / "ideas.json", key, list[Idea], compute)
    if write:
        _write(study, ideas)
    return ideas


def _write(study: Study, ideas: list[Idea]) -> None:
    from render.edits.forms import set_form

    path = study.folder / SONG_FILE
    text = path.read_bytes().decode("utf-8")  # with its own line endings
    for idea in ideas:
        text = set_form(text, study.folder, idea.name, idea.texts, remark=idea.remark)
    with replacing(path) as half:
        half.write_text(text, encoding="utf-8", newline="")


def _files(study: Study) -> list[Path]:
    """The files that a song is made of: the stems, and what [song] names in whatever key."""
    stems = study.song.stems.values()
    named = tomllib.loads(read_text(study.folder / SONG_FILE))["song"].values()
    files = [study.folder / name for name in named if isinstance(name, str)]
    return [*files, *stems]
