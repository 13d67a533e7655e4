"""Unpacking of a bundle: everything is checked in a folder of its own before it gets its name."""

from __future__ import annotations

import hashlib
import shutil
import sqlite3
import tempfile
import tomllib
from contextlib import closing
from pathlib import Path
from urllib.parse import quote

from render.errors import BundleError, FairhearingError, WriteError
from render.files import OWNERS_FILE, OWNERS_FOLDER
from render.renders.manifest import read_manifest
from render.song.song import SONG_FILE, load_song
from sessions import tables as t
from sessions.bundle.checking import BundleCheck, blocks, check_bundle, known_sums, opened_bundle
from sessions.bundle.names import INSIDE, name_problem
from sessions.bundle.writing import sources
from sessions.study import LOG_FILE

UNPACKING = ".bundle-"  # begins the names of folders that are being unpacked into
HALF_OPENED = ".opening"  # what is unpacked and checked, and not in its place yet
SQLITE_OWN = ("sqlite_sequence", "sqlite_stat1")


def open_bundle(path: Path, folder: Path) -> BundleCheck:
    """Unpack a bundle into `folder`, which must be new or empty.

    Raises:
        BundleError: it is damaged (what is safe is named), made to do harm, or the folder is not empty;
        WriteError: it could not be unpacked. Then nothing is left behind.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise BundleError(f"{folder} is not empty; name a folder that is new")
    checked = check_bundle(path)
    if not checked.is_whole:
        raise BundleError("\n  ".join([*checked.lines, "nothing was unpacked; copy the bundle again"]))
    parent = folder.resolve().parent
    try:
        parent.mkdir(parents=True, exist_ok=True)
        free = shutil.disk_usage(parent).free
        if checked.bytes > free:
            raise BundleError(
                f"it needs {checked.bytes / 1e6:.0f} MB, and {parent} has {free / 1e6:.0f} MB free"
            )
        with tempfile.TemporaryDirectory(prefix=UNPACKING, dir=parent) as temporary:
            study = Path(temporary) / INSIDE
            _unpack(path, Path(temporary))
            require_own_files(study)
            _require_plain_log(study / LOG_FILE)
            _require_renders_inside(study)
            load_song(study)
            if folder.exists():
                folder.rmdir()
            study.replace(folder)
    except OSError as error:
        raise WriteError(
            f"{folder} could not be written: {error.strerror or error}; nothing was left"
        ) from None
    return checked


def open_bundle_here(path: Path, folder: Path) -> BundleCheck:
    """Open a bundle in a folder that holds other files, but no study: nothing there is replaced.

    It is unpacked and checked beside them, then moved to its place, song.toml last; where that broke off,
    `finish_opening` goes on.

    Raises:
        BundleError, WriteError: as `open_bundle`; BundleError: a file of the same name is there already.
    """
    half = folder / HALF_OPENED
    for left in folder.glob(f"{UNPACKING}*"):  # of a process that was killed
        shutil.rmtree(left, ignore_errors=True)
    if half.is_dir():
        raise BundleError("another bundle is half opened here; go on with that one first")
    opened = open_bundle(path, half)
    taken = sorted({entry.name for entry in half.iterdir()} & {entry.name for entry in folder.iterdir()})
    if taken:
        shutil.rmtree(half)
        raise BundleError(
            f"{', '.join(taken)}: the bundle holds this too, and nothing here is replaced; open it in a "
            "folder of its own"
        )
    finish_opening(folder)
    return opened


def finish_opening(folder: Path) -> None:
    """Move what was unpacked to its place; song.toml, which makes the folder a study, last.

    Raises:
        WriteError: a file could not be moved; what is left can be moved later.
    """
    half = folder / HALF_OPENED
    try:
        for entry in sorted(half.iterdir(), key=lambda entry: entry.name == SONG_FILE):
            entry.rename(folder / entry.name)
        half.rmdir()
    except OSError as error:
        raise WriteError(f"{folder} could not be written: {error.strerror or error}; try again") from None


def _unpack(path: Path, folder: Path) -> None:
    """Write the files out, and compare the bytes written with their sums: it may change meanwhile."""
    with opened_bundle(path) as archive:
        for name, known in known_sums(archive, path).items():
            if problem := name_problem(name):
                raise BundleError(f"{path} is not opened: {name!r} is {problem}")
            target = folder / name
            target.parent.mkdir(OWNERS_FOLDER, parents=True, exist_ok=True)
            digest = hashlib.sha256()
            with target.open("xb") as out:
                for block in blocks(archive, name):
                    digest.update(block)
                    out.write(block)
            target.chmod(OWNERS_FILE)
            if digest.hexdigest() != known:
                raise BundleError(f"{path} changed while it was being opened; nothing was unpacked")


def require_own_files(folder: Path) -> None:
    """Refuse a song.toml that names files outside of its folder.

    Raises:
        BundleError: it does, or cannot be read.
    """
    try:
        toml = tomllib.loads((folder / SONG_FILE).read_text(encoding="utf-8-sig"))
        named = list(sources(toml))
    except (ValueError, AttributeError, TypeError):
        raise BundleError(f"the bundle's {SONG_FILE} cannot be read") from None
    for table, key, value in named:
        if problem := name_problem(value):
            raise BundleError(f"not opened: {table}.{key} in its {SONG_FILE}, {value!r}, is {problem}")


def _require_renders_inside(folder: Path) -> None:
    """Refuse lists of renders that name files elsewhere: the listening page serves what they name."""
    for path in (folder / "renders").glob("manifest*.json"):
        try:
            forms = read_manifest(path).forms
        except FairhearingError as error:
            raise BundleError(f"not opened: {error}") from None
        for form in forms:
            if name_problem(form.wav) or not form.wav.startswith("renders/"):
                raise BundleError(
                    f"not opened: {path.name} names {form.wav!r}, which is no render of the study"
                )


def _require_plain_log(path: Path) -> None:
    """Refuse a log that is more than data: triggers, views, virtual or unknown tables; or is damaged."""
    if not path.exists():
        return
    try:
        where = f"file:{quote(str(path))}?mode=ro&immutable=1"
        with closing(sqlite3.connect(where, uri=True)) as log:
            log.execute("PRAGMA trusted_schema = OFF")
            log.execute("PRAGMA cell_size_check = ON")
            entries = log.execute("SELECT type, name, tbl_name, sql FROM sqlite_master").fetchall()
            for kind, name, table, sql in entries:
                known = table in t.metadata.tables or table in SQLITE_OWN
                virtual = "virtual" in str(sql or "").casefold().split()[:2]
                if kind not in ("table", "index") or not known or virtual:
                    raise BundleError(f"not opened: its log holds a {kind}, {name!r}, that no log has")
            if log.execute("PRAGMA integrity_check(1)").fetchone()[0] != "ok":
                raise BundleError("not opened: its log is damaged")
    except sqlite3.DatabaseError as error:
        raise BundleError(f"not opened: its log is no database that can be read ({error})") from None
