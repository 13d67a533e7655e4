"""Hashes of what a decision rests on, and whether it is unaltered since.

The log only ever grows, so its seal names the rows that were there (ranges of each table's keys) and their
columns: the same rows must give the same hash for ever, whatever rows, or columns of a later fairhearing,
follow.
"""

from __future__ import annotations

import hashlib
import json
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Table, select

from render.audio.containers import wav_audio_sha256
from render.errors import FairhearingError
from render.files import file_sha256
from render.renders.manifest import Manifest
from render.song.song import SONG_FILE
from sessions import tables as t
from sessions.study import Study

# codes are in `listens` too; secrets stay secret, and the seed has a seal of its own
SEALED_TABLES = (
    t.events, t.listeners, t.forms, t.rounds, t.round_ends, t.sittings, t.listens, t.listen_ends, t.ratings,
    t.comments, t.blemishes, t.judgements, t.round_answers,
)  # fmt: skip
NOT_CONTENT = frozenset({"row_sum"})  # what the log keeps about a row beside what it says


@dataclass(frozen=True)
class Check:
    """One thing that a decision recorded: whether it still is the same, in words."""

    what: str
    same: bool
    text: str


def log_seal(study: Study) -> dict[str, Any]:
    """The rows and columns that the log holds now and the SHA-256 over their contents."""
    columns = {
        table.name: [column.name for column in table.columns if column.name not in NOT_CONTENT]
        for table in SEALED_TABLES
    }
    with study.log.store.reading() as connection:
        rows = {table.name: _ranges(_keys(connection, table)) for table in SEALED_TABLES}
        return {"rows": rows, "columns": columns, "sha256": _log_sha256(connection, rows, columns)}


def log_is_unaltered(study: Study, seal: Mapping[str, Any]) -> bool:
    """Whether the rows of a seal are all there, as they were."""
    try:
        with study.log.store.reading() as connection:
            return _log_sha256(connection, seal["rows"], seal["columns"]) == str(seal["sha256"])
    except KeyError:
        return False


def seals(study: Study, manifest: Manifest) -> dict[str, Any]:
    """Everything that a decision rests on: song.toml, the bounce, the renders, the log and the seed."""
    return {
        "song_toml_sha256": file_sha256(study.folder / SONG_FILE),
        "bounce_sha256": manifest.audio.sha256,
        "renders": {
            form.name: {"content": form.content_hash, "sha256": form.sha256} for form in manifest.forms
        },
        "log": log_seal(study),
        "seed_sha256": study.log.contents(listens=False).seed_sha256,
    }


@dataclass(frozen=True)
class Present:
    """What is there now. `renders` are by content hash: SHA-256 as measured, and as the file has it now
    (None: no file); None where there is no manifest."""

    song_toml: str | None
    bounce: str | None
    renders: Mapping[str, tuple[str, str | None]] | None


def present(study: Study) -> Present:
    """Reads song.toml, the bounce and the renders' audio."""
    path = study.folder / SONG_FILE
    bounce = study.song.audio.path
    try:
        forms = study.manifest.forms
    except FairhearingError:
        return Present(_sha256_or_none(path), _sha256_or_none(bounce), None)
    renders = {form.content_hash: (form.sha256, _audio_or_none(study.folder / form.wav)) for form in forms}
    return Present(_sha256_or_none(path), _sha256_or_none(bounce), renders)


def checks(study: Study, sealed: Mapping[str, Any], now: Present) -> Iterator[Check]:
    """Compares what a decision recorded with what is there now."""
    same = now.song_toml == sealed.get("song_toml_sha256")
    edited = "has been edited since the decision"
    yield Check(SONG_FILE, same, "unchanged since the decision" if same else edited)
    same = now.bounce == sealed.get("bounce_sha256")
    yield Check("the bounce", same, "the same file" if same else "another one than at the decision")
    yield _renders_check(sealed.get("renders", {}), now.renders)
    log = sealed.get("log", {})
    same = log_is_unaltered(study, log)
    text = "every entry that the decision rests on is still there, unaltered"
    altered = "entries that the decision rests on were altered or removed"
    yield Check("the log", same, text if same else altered)
    same = study.log.contents(listens=False).seed_sha256 == sealed.get("seed_sha256")
    yield Check("the plan's seed", same, "the same" if same else "another one: this is not the same plan")


def _renders_check(
    recorded: Mapping[str, Mapping[str, str]], renders: Mapping[str, tuple[str, str | None]] | None
) -> Check:
    if renders is None:
        return Check("the renders", False, "are no longer there; `fairhearing render` makes them again")
    gone, altered = [], []
    for name, hashes in recorded.items():
        measured, there = renders.get(hashes["content"], (None, None))
        if there is not None and there != measured:
            altered.append(name)
        elif there != hashes["sha256"]:
            gone.append(name)  # another form, no file, or the same form at another gain since
    if not gone and not altered:
        return Check("the renders", True, f"all {len(recorded)} are the same, sample for sample")
    differences = []
    if gone:
        differences.append("rendered anew or no longer among the forms: " + ", ".join(f'"{n}"' for n in gone))
    if altered:
        differences.append("altered on the disk: " + ", ".join(f'"{n}"' for n in altered))
    return Check("the renders", False, "; ".join(differences))


def _sha256_or_none(path: Path) -> str | None:
    return file_sha256(path) if path.is_file() else None


def _audio_or_none(path: Path) -> str | None:
    return wav_audio_sha256(path) if path.is_file() else None


def _keys(connection: Connection, table: Table) -> list[int]:
    key = next(iter(table.primary_key))
    return list(connection.execute(select(key).order_by(key)).scalars())


def _log_sha256(connection: Connection, rows: Mapping[str, str], columns: Mapping[str, Sequence[str]]) -> str:
    digest = hashlib.sha256()
    for table in (one for one in SEALED_TABLES if one.name in rows):  # a seal of an earlier log has fewer
        wanted = _within(rows[table.name])
        firsts = [first for first, _ in wanted]
        key = next(iter(table.primary_key))
        kept = [table.c[name] for name in columns[table.name]]
        for row in connection.execute(select(key, *kept).order_by(key)):
            at = bisect_right(firsts, row[0]) - 1  # the range it can lie in
            if at >= 0 and row[0] <= wanted[at][1]:
                line = json.dumps([table.name, *row[1:]], ensure_ascii=False, separators=(",", ":"))
                digest.update(line.encode() + b"\n")
    return digest.hexdigest()


def _ranges(keys: Iterable[int]) -> str:
    """Sorted numbers as text: "1-4,7"."""
    ranges: list[list[int]] = []
    for key in keys:
        if ranges and ranges[-1][1] == key - 1:
            ranges[-1][1] = key
        else:
            ranges.append([key, key])
    return ",".join(f"{a}-{b}" if a != b else f"{a}" for a, b in ranges)


def _within(text: str) -> list[tuple[int, int]]:
    pairs = (part.partition("-") for part in text.split(",") if part)
    return [(int(a), int(b or a)) for a, _, b in pairs]
