"""A whole study as one file: a plain ZIP, the SHA-256 sums of its files, and the recipe to check them."""

from __future__ import annotations

import hashlib
import re
import shutil
import sqlite3
import tempfile
import tomllib
import zipfile
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

from render.edits.toml_text import TomlText
from render.errors import BundleError, StudyError
from render.files import replacing
from render.song.song import SONG_FILE, read_text
from render.steps import Step
from sessions.bundle.names import INSIDE, LOG, README, SUMS, name_problem
from sessions.study import LOG_FILE, Study

ELSEWHERE = "sources"  # where files go that song.toml has from outside the study's folder
FOLDERS = ("renders", "report")
RECIPE = """{title}: a study of fairhearing, whole.

What is in this ZIP: below study/ the song.toml, the bounce and its stems, the map of the song's project,
the renders, the log (an SQLite database: who rated what, and when) and the report with its decisions.
SHA256SUMS holds the SHA-256 of each file, one a line: the sum in hexadecimal, two spaces, the name.

To check it without fairhearing: unpack it with any program that knows ZIP (nothing is compressed), then
run "sha256sum -c SHA256SUMS" in the folder, or, with nothing but Python:

    import hashlib, pathlib
    for line in pathlib.Path("SHA256SUMS").read_text(encoding="utf-8").splitlines():
        known, name = line.split("  ", 1)
        now = hashlib.sha256(pathlib.Path(name).read_bytes()).hexdigest()
        print("whole  " if now == known else "DAMAGED", name)

To go on with it: fairhearing bundle --open THIS_FILE FOLDER

{sealed}
"""
SEALED = (
    "The study is sealed: its rounds are not over. A bundle holds the listeners' names, their ratings and "
    "the plan's seed, from which every code can be told: whoever opens the log in it is blind no more."
)
OPENED = "The file holds the listeners' names, ratings and comments. Pass it on with that in mind."


@dataclass(frozen=True)
class Bundled:
    """The file that was written, how many files it holds, and what differs from the folder."""

    path: Path
    files: int
    bytes: int
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Contents:
    """Names within the bundle and the files they come from; song.toml's text as it goes in."""

    members: dict[str, Path]
    song_toml: bytes
    notes: tuple[str, ...]


def caution(study: Study) -> str:
    """What must be said, and answered, before a bundle of a sealed study is written; "" for others."""
    sealed = study.has_log and study.log.contents(listens=False).opened is None
    return SEALED if sealed else ""


def bundle_name(study: Study) -> str:
    """What a bundle of the study is called, on any system: "Lanterns on the Weir, study.zip"."""
    title = " ".join(re.sub(r'[<>:"/\\|?*\x00-\x1f]', " ", study.song.title).split())[:80].strip(". ")
    return f"{title or 'song'}, study.zip"


def bundle_bytes(study: Study) -> int:
    """About how large a bundle of the study is."""
    log = study.folder / LOG_FILE
    files = [*_contents(study).members.values(), *([log] if log.is_file() else [])]
    return sum(path.stat().st_size for path in files)


def write_bundle(study: Study, path: Path, step: Step, *, sealed_too: bool = False) -> Bundled:
    """Write the whole study into one file.

    `step(what, done, of)` is called before each file. A sealed study is only written with `sealed_too`.

    Raises:
        BundleError: it is sealed, there is such a file already, or a name would not be possible elsewhere;
        SongError: song.toml is not in order; WriteError: the file could not be written.
    """
    sealed = bool(caution(study))
    if sealed and not sealed_too:
        raise BundleError(f"{SEALED} Say so a second time (--yes) to write it all the same")
    if path.exists():
        raise BundleError(f"{path} exists, and is left as it is; name another file")
    _ = study.song  # in order, or nothing is written
    contents = _contents(study)
    needed = bundle_bytes(study)
    free = shutil.disk_usage(path.parent).free
    if needed > free:
        raise BundleError(
            f"the bundle needs {needed / 1e6:.0f} MB, and {path.parent} has {free / 1e6:.0f} MB"
        )
    recipe = RECIPE.format(title=study.song.title, sealed=SEALED if sealed else OPENED)
    with tempfile.TemporaryDirectory() as temporary, replacing(path) as half:
        members = dict(contents.members)
        if study.has_log:
            members[LOG] = _copy_of_log(study, Path(temporary) / LOG_FILE)
        with zipfile.ZipFile(half, "w", zipfile.ZIP_STORED) as out:
            now = study.clock().timetuple()[:6]
            out.writestr(_entry(README, now), recipe.encode("utf-8"))
            sums = [_add_bytes(out, f"{INSIDE}/{SONG_FILE}", contents.song_toml, now)]
            for number, (name, source) in enumerate(sorted(members.items()), 1):
                step(name, number, len(members))
                sums.append(_add_file(out, name, source, now))
            out.writestr(_entry(SUMS, now), "".join(f"{line}\n" for line in sums).encode("utf-8"))
    return Bundled(path, len(sums), path.stat().st_size, contents.notes)


def _contents(study: Study) -> _Contents:
    folder = study.folder
    text = read_text(folder / SONG_FILE)
    document = TomlText(text, SONG_FILE)
    members: dict[str, Path] = {}
    notes = []
    for table, key, value in sources(tomllib.loads(text)):
        name = _inside(folder, value)
        if name is None:
            name = _free(f"{ELSEWHERE}/{Path(value).name}", members)
            document.set(table, key, name)
            notes.append(f"{value} lies outside the study's folder; in the bundle it is {name}")
        members[f"{INSIDE}/{name}"] = folder / value
    for kind in FOLDERS:
        for path in sorted((folder / kind).rglob("*")):
            relative = path.relative_to(folder)
            if (
                path.is_file()
                and not path.is_symlink()
                and not any(p.startswith(".") for p in relative.parts)
            ):
                members[f"{INSIDE}/{relative.as_posix()}"] = path
    for name, path in members.items():
        if problem := name_problem(name):
            raise BundleError(f"{path}: {problem}; rename it, here and in song.toml")
        if not path.is_file():
            raise StudyError(f"{path} is not there; song.toml names it")
    return _Contents(members, (str(document) if notes else text).encode("utf-8"), tuple(notes))


def sources(toml: dict[str, Any]) -> Iterator[tuple[str, str, str]]:
    """The files that a song.toml names: table, key, path."""
    for key in ("audio", "map", "beats"):
        if isinstance(value := toml.get("song", {}).get(key), str):
            yield "song", key, value
    for key, value in toml.get("stems", {}).items():
        yield "stems", key, str(value)


def _inside(folder: Path, value: str) -> str | None:
    """A path of song.toml as a name within the study's folder; None where it leads out."""
    root = folder.resolve()
    path = (folder / value).resolve()
    plain = not Path(value).is_absolute() and ".." not in Path(value).parts
    return Path(value).as_posix() if plain and path.is_relative_to(root) else None


def _free(name: str, taken: dict[str, Path]) -> str:
    path, number = Path(name), 1
    while f"{INSIDE}/{name}" in taken:
        number += 1
        name = path.with_name(f"{path.stem} {number}{path.suffix}").as_posix()
    return name


def _copy_of_log(study: Study, path: Path) -> Path:
    """A consistent snapshot of the log, also while somebody rates (SQLite's backup)."""
    if study.log.store.engine.dialect.name != "sqlite":
        raise BundleError("the log lies on a server; a bundle holds studies whose log is in their folder")
    source = f"file:{quote(str((study.folder / LOG_FILE).resolve()))}?mode=ro"
    with closing(sqlite3.connect(source, uri=True)) as log, closing(sqlite3.connect(path)) as copy:
        log.backup(copy)
    return path


def _entry(name: str, now: tuple[int, ...]) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name, (max(now[0], 1980), *now[1:6]))  # type: ignore[arg-type]
    info.external_attr = 0o600 << 16
    return info


def _add_bytes(out: zipfile.ZipFile, name: str, content: bytes, now: tuple[int, ...]) -> str:
    out.writestr(_entry(name, now), content)
    return f"{hashlib.sha256(content).hexdigest()}  {name}"


def _add_file(out: zipfile.ZipFile, name: str, source: Path, now: tuple[int, ...]) -> str:
    """Copy a file in; its line of the sums, by the bytes that went in."""
    digest, entry = hashlib.sha256(), _entry(name, now)
    entry.file_size = source.stat().st_size
    with source.open("rb") as file, out.open(entry, "w") as into:
        while block := file.read(1 << 20):
            digest.update(block)
            into.write(block)
    return f"{digest.hexdigest()}  {name}"
