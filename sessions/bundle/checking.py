"""Check of a bundle from an untrusted source: names, sizes, sums."""

from __future__ import annotations

import hashlib
import re
import stat
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from render.errors import BundleError
from sessions.bundle.names import INSIDE, README, SUMS, name_problem

MOST_FILES = 20_000
LARGEST_SUMS_BYTES = 4_000_000
BLOCK_BYTES = 1 << 20


@dataclass(frozen=True)
class Damage:
    """A file of a bundle that is not as it was written, and how that shows."""

    name: str
    reason: str


@dataclass(frozen=True)
class BundleCheck:
    """What a bundle holds: files that are whole (`safe`), those that are not, and the bytes of all."""

    path: Path
    safe: tuple[str, ...]
    damaged: tuple[Damage, ...]
    bytes: int

    @property
    def is_whole(self) -> bool:
        return not self.damaged

    @property
    def lines(self) -> list[str]:
        """What to tell a person."""
        if self.is_whole:
            return [
                f"{self.path} is whole: {len(self.safe)} files, {self.bytes / 1e6:.1f} MB, all sums right."
            ]
        many = len(self.damaged)
        bad = "1 file is not as it was" if many == 1 else f"{many} files are not as they were"
        said = [f"{self.path} is damaged: {bad}, {len(self.safe)} are whole."]
        said += [f"damaged: {damage.name} ({damage.reason})" for damage in self.damaged]
        return [*said, *(f"safe: {name}" for name in self.safe)]


def check_bundle(path: Path) -> BundleCheck:
    """Compare every file of a bundle with its sum; nothing is unpacked.

    Raises:
        BundleError: it is no bundle, cut short, or made to do harm.
    """
    with opened_bundle(path) as archive:
        sums = known_sums(archive, path)
        safe, damaged = [], []
        for name, known in sums.items():
            reason = _damage(archive, name, known)
            if reason:
                damaged.append(Damage(name, reason))
            else:
                safe.append(name)
        if README in archive.namelist() and (reason := _unreadable(archive, README)):
            damaged.append(Damage(README, reason))
        there = {info.filename for info in archive.infolist()} - {README, SUMS}
        damaged += [Damage(name, "no sum is known of it") for name in sorted(there - sums.keys())]
        size = sum(info.file_size for info in archive.infolist())
    return BundleCheck(path, tuple(safe), tuple(damaged), size)


@contextmanager
def opened_bundle(path: Path) -> Iterator[zipfile.ZipFile]:
    """The archive, once its names, kinds and sizes are such as a bundle has.

    Raises:
        BundleError: see `check_bundle`.
    """
    try:
        archive = zipfile.ZipFile(path)
    except FileNotFoundError:
        raise BundleError(f"there is no file {path}; name a bundle") from None
    except (zipfile.BadZipFile, zipfile.LargeZipFile, ValueError, NotImplementedError, EOFError) as error:
        raise BundleError(
            f"{path} is no bundle, or was cut short ({error}): its list of files is at its end; copy it again"
        ) from None
    except OSError as error:
        raise BundleError(f"{path} cannot be read: {error.strerror or error}") from None
    with archive:
        _require_harmless(archive, path)
        yield archive


def _require_harmless(archive: zipfile.ZipFile, path: Path) -> None:
    infos = archive.infolist()
    if len(infos) > MOST_FILES:
        raise BundleError(f"{path} holds {len(infos)} files; a study has at most {MOST_FILES}")
    taken: set[str] = set()
    for info in infos:
        problem = name_problem(info.orig_filename) or name_problem(info.filename)
        if info.filename not in (README, SUMS) and not info.filename.startswith(f"{INSIDE}/"):
            problem = problem or "a file outside of the study"
        if stat.S_ISLNK(info.external_attr >> 16):
            problem = "a link"
        if info.filename.casefold() in taken:
            problem = "a name that is there twice"
        if (
            info.compress_type != zipfile.ZIP_STORED
            or info.flag_bits & 1
            or info.file_size != info.compress_size
        ):
            problem = "packed or locked; files of a bundle are stored as they are"
        if problem:
            raise BundleError(f"{path} is not opened: {info.filename!r} is {problem}")
        taken.add(info.filename.casefold())
    if sum(info.file_size for info in infos) > path.stat().st_size:  # several names for the same bytes
        raise BundleError(f"{path} is not opened: it claims to hold more than it can")


def known_sums(archive: zipfile.ZipFile, path: Path) -> dict[str, str]:
    """The SHA-256 of each file by its name.

    Raises:
        BundleError: there are none that can be read.
    """
    try:
        if archive.getinfo(SUMS).file_size > LARGEST_SUMS_BYTES:
            raise ValueError
        text = archive.read(SUMS).decode("utf-8")
        lines = [re.fullmatch(r"([0-9a-f]{64})  (.+)", line) for line in text.splitlines()]
        if None in lines:
            raise ValueError
    except KeyError:
        raise BundleError(f"{path} is no bundle: it holds no {SUMS}") from None
    except (zipfile.BadZipFile, ValueError, OSError, EOFError):
        raise BundleError(
            f"{path} is damaged in its list of sums, {SUMS}: what is safe in it cannot be told; copy it again"
        ) from None
    digests = {line[2]: line[1] for line in lines if line is not None}
    if f"{INSIDE}/song.toml" not in digests:
        raise BundleError(f"{path} is no bundle of a study: no sum of {INSIDE}/song.toml is in it")
    return digests


def _damage(archive: zipfile.ZipFile, name: str, known: str) -> str:
    """What is wrong with a file; "" if it is whole."""
    digest = hashlib.sha256()
    if reason := _unreadable(archive, name, digest.update):
        return reason
    return "" if digest.hexdigest() == known else "its SHA-256 is another"


def _unreadable(archive: zipfile.ZipFile, name: str, take: Callable[[bytes], object] = len) -> str:
    """Why a file cannot be read to its end; `take` gets its content."""
    try:
        for block in blocks(archive, name):
            take(block)
    except KeyError:
        return "missing"
    except (zipfile.BadZipFile, OSError, EOFError, ValueError, NotImplementedError, RuntimeError) as error:
        return f"cannot be read: {error}"
    return ""


def blocks(archive: zipfile.ZipFile, name: str) -> Iterator[bytes]:
    """A file's content, piece by piece."""
    with archive.open(name) as file:
        while block := file.read(BLOCK_BYTES):
            yield block
