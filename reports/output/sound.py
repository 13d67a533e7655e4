"""The forms' sound for the report's players: copies beside the page, or inside it."""

from __future__ import annotations

import base64
import shutil
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import quote

from render.errors import RenderError
from render.files import OWNERS_FOLDER, replacing
from render.renders.copies import flac_copies, opus_copies
from render.renders.manifest import Manifest
from render.steps import Step
from reports.facts.study_facts import Facts
from reports.files import file_name

AUDIO = "audio"  # the folder beside report.html


@dataclass(frozen=True)
class SoundOptions:
    """Where a report keeps its sound: inside the page or beside it, as Opus (`small`) or FLAC."""

    inside: bool = False
    small: bool = False

    @property
    def media_type(self) -> str:
        return "audio/ogg" if self.small else "audio/flac"


BESIDE = SoundOptions()


@dataclass(frozen=True)
class Sound:
    """What a page can play: by a form's name, its place among the forms, its address, and (kept inside the
    page) its bytes in base64. `note` says why there is nothing to play."""

    numbers: Mapping[str, int] = field(default_factory=dict)
    sources: Mapping[str, str] = field(default_factory=dict)
    inside: Mapping[str, str] = field(default_factory=dict)
    note: str = ""


def write_sound(facts: Facts, folder: Path, options: SoundOptions, step: Step) -> Sound:
    """Copies of every form's render for the players of the report in `folder`.

    None while the study is sealed: a form's sound under its name would tie codes to names, so what an earlier
    report left there is removed.

    Raises:
        OSError: a file could not be written.
    """
    numbers = {form.name: at for at, form in enumerate(facts.forms)}
    if facts.sealed or facts.manifest is None:
        remove_sound(folder)
        return Sound(numbers)
    try:
        if options.inside:
            remove_sound(folder)
            with tempfile.TemporaryDirectory(prefix="fairhearing-") as place:
                paths = _copies(facts, facts.manifest, Path(place), options, step)
                inside = {name: base64.b64encode(path.read_bytes()).decode() for name, path in paths.items()}
            return Sound(numbers, dict.fromkeys(inside, f"data:{options.media_type}"), inside)
        paths = _copies(facts, facts.manifest, folder / AUDIO, options, step)
    except RenderError as error:
        remove_sound(folder)
        return Sound(numbers, note=f"Nothing can be heard here: {error}.")
    for path in (folder / AUDIO).iterdir():
        if path.is_dir():  # of a process that was killed while it wrote
            shutil.rmtree(path)
        elif path not in paths.values():
            path.unlink()
    return Sound(numbers, {name: f"{AUDIO}/{quote(path.name)}" for name, path in paths.items()})


def remove_sound(folder: Path) -> None:
    """Remove the forms' sound that lies beside the report in `folder`."""
    with suppress(FileNotFoundError):
        shutil.rmtree(folder / AUDIO)


def _copies(
    facts: Facts, manifest: Manifest, into: Path, options: SoundOptions, step: Step
) -> dict[str, Path]:
    """A copy of every render in the folder `into`, by the form's name, its number in the file's name."""
    names = {form.render.content_hash: form.name for form in facts.forms if form.render}
    of = len(names) + 1
    step("copying the forms for the report's players", 0, of)
    into.mkdir(OWNERS_FOLDER, parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=into, prefix=".fairhearing-") as scratch:
        copies = (
            opus_copies(facts.song.folder, manifest, Path(scratch))
            if options.small
            else flac_copies(facts.song.folder, manifest)
        )
        paths = {}
        for number, (content, name) in enumerate(names.items(), 1):
            step(f'copying "{name}" for the report\'s players', number, of)
            source = copies.paths[content]
            paths[name] = path = into / f"{number} {file_name(name)}{source.suffix}"
            with replacing(path, lasting=False) as half:
                shutil.copyfile(source, half)
    step("copied the forms for the report's players", of, of)
    return paths
