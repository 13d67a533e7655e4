"""A study as the maker's page works on it: song.toml read anew when it changed, replaced whole, undone."""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from listening.maker.jobs import Jobs
from render.errors import FairhearingError, PageError
from render.files import replacing
from render.renders.manifest import as_begun
from render.song.song import SONG_FILE, Song, read_text, song_from_text
from reports.facts.panel_reading import read_panel
from sessions.clock import Clock, system_clock
from sessions.log import Log
from sessions.records import EventRecord
from sessions.study import LOG_FILE, Study

MOST_UNDOS = 200
TextEdit = Callable[..., str]  # a function of song.toml's text and the study's folder (render/edits)


@dataclass(frozen=True)
class TextChange:
    """A change of song.toml made here: what it was, the text before and after."""

    words: str
    before: str
    after: str


class Workspace:
    """A study's folder, its song.toml and its log, shared by all tabs of one maker's page.

    song.toml is the user's: it is only ever replaced whole, only if it still is what the page showed, and
    with every comment kept (the editing functions see to that).
    """

    def __init__(self, folder: Path, store: str | None = None, clock: Clock = system_clock) -> None:
        self.folder = folder
        self.store = store
        self.clock = clock
        self.jobs = Jobs(self.touch)
        self._lock = threading.RLock()
        self._undo: list[TextChange] = []
        self._turn = 0
        self._turning = threading.Lock()
        self._log: Log | None = None
        self._own: set[str] = set()
        self._read: tuple[str, Song | None, FairhearingError | None] | None = None
        self._audio_signs: tuple[object, ...] = ()
        self.cache: dict[object, Any] = {}  # what was measured, by what it was measured on

    @property
    def path(self) -> Path:
        """song.toml."""
        return self.folder / SONG_FILE

    @property
    def begun(self) -> bool:
        """Whether there is a song.toml."""
        return self.path.is_file()

    def text(self) -> str:
        """song.toml as it stands, with its own line endings; "" where there is none.

        Raises:
            SongError: it is not UTF-8 text, or cannot be read.
        """
        if not self.begun:
            return ""
        read_text(self.path)
        return self.path.read_bytes().decode("utf-8")

    def version(self) -> str:
        """A hash of song.toml: a change is made to the text that was shown, or not at all."""
        with suppress(OSError):
            return hashlib.sha256(self.path.read_bytes()).hexdigest()[:16]
        return "none"

    def is_own(self, version: str) -> bool:
        """Whether this version of song.toml was written here (another tab's is; an editor's is not)."""
        return version in self._own

    def pulse(self) -> str:
        """Changes whenever a tab should look again: song.toml, the log, a job, another tab."""
        log = self.folder / LOG_FILE
        signs: list[object] = [self._turn, self.version()]
        with suppress(OSError):
            stat = log.stat()
            signs += [stat.st_mtime_ns, stat.st_size]
        if self.store is not None:
            with suppress(FairhearingError):
                signs.append(self._study().log.height())
        return hashlib.sha256(repr(signs).encode()).hexdigest()[:16]

    def touch(self) -> None:
        """Tell all tabs to look again."""
        with self._turning:  # jobs end in threads of their own, and none of their ends may be lost
            self._turn += 1

    def song(self) -> Song:
        """The song, checked; read again only when song.toml or the audio's header may have changed.

        Raises:
            SongError, FormError, AudioError: as `check` says them.
        """
        with self._lock:
            text, signs = self.text(), self._signs()
            if self._read is None or self._read[0] != text or signs != self._audio_signs:
                self._read = (text, *_loaded(text, self.folder, self.path))
                self._audio_signs = self._signs()
            _, song, error = self._read
        if error is not None:
            raise error
        assert song is not None
        return song

    def problem(self) -> str:
        """What is wrong with song.toml, in the words of `check`, or ""."""
        try:
            self.song()
        except FairhearingError as error:
            return str(error)
        return ""

    def study(self) -> Study:
        """The study as the commands open it, with the song read here where it is in order."""
        study = self._study()
        with suppress(FairhearingError):
            study.__dict__["song"] = self.song()
        return study

    def _study(self) -> Study:
        """The study without its song; a log on a server is one for all that is asked of it."""
        study = Study(self.folder, self.clock, self.store, read_panel)
        if self.store is not None:
            with self._lock:
                self._log = self._log or study.log
            study.__dict__["log"] = self._log
        return study

    def change(self, words: str, based_on: str, edit: TextEdit, *values: Any, **more: Any) -> None:
        """Replace song.toml by what `edit` makes of its text, if it still is what the page showed.

        `edit` gets the text, the study's folder, and what else is given here.

        Raises:
            PageError: 409, it was changed meanwhile; FairhearingError: the new text is not in order.
        """
        with self._lock:
            self._require(based_on)
            before = self.text()
            after = edit(before, self.folder, *values, **more)
            if after == before:
                return
            song_from_text(after, self.folder)
            self._write(after, based_on)
            self._undo.append(TextChange(words, before, after))
            del self._undo[:-MOST_UNDOS]
        self.touch()

    @property
    def undoable(self) -> str:
        """The last change that can be undone, in words, or ""."""
        with self._lock:
            return self._undo[-1].words if self._undo else ""

    def undo(self, based_on: str) -> str:
        """Take back the last change made here; returns its words.

        Raises:
            PageError: 409, song.toml was changed elsewhere since, or there is nothing to undo.
        """
        with self._lock:
            self._require(based_on)
            if not self._undo:
                raise PageError(409, "undo", "There is nothing to undo.")
            last = self._undo[-1]
            if self.text() != last.after:
                raise PageError(
                    409,
                    "undo",
                    f"song.toml was changed elsewhere after “{last.words}”, so that is not undone.",
                )
            self._write(last.before, based_on)
            self._undo.pop()
        self.touch()
        return last.words

    def events(self, *kinds: str) -> list[EventRecord]:
        """Events of the log of these kinds, oldest first; none where there is no log yet."""
        return [e for e in self._study().known.events if e.kind in kinds]

    def note(self, kind: str, detail: Mapping[str, Any]) -> None:
        """Write an event into the log."""
        self._study().log.add_event(kind, detail)
        self.touch()

    def _require(self, based_on: str) -> None:
        if based_on != self.version():
            raise PageError(
                409, "changed",
                "song.toml was changed elsewhere meanwhile (in an editor, or in another tab), so nothing was "
                "written over it. This page shows it as it is now; your last change is offered again.",
            )  # fmt: skip

    def _write(self, text: str, based_on: str) -> None:
        with replacing(self.path) as half:
            half.write_bytes(text.encode("utf-8"))
            self._own.add(hashlib.sha256(half.read_bytes()).hexdigest()[:16])
            self._require(based_on)  # once more, at the last moment before the new file takes its name

    def _signs(self) -> tuple[object, ...]:
        """Size and time of the files that the song was read from."""
        song = self._read[1] if self._read else None
        if song is None:
            return (object(),)
        signs: list[object] = []
        for path in (song.audio.path, *song.stems.values()):
            with suppress(OSError):
                stat = path.stat()
                signs += [str(path), stat.st_size, stat.st_mtime_ns]
        return tuple(signs)


def _loaded(text: str, folder: Path, path: Path) -> tuple[Song | None, FairhearingError | None]:
    try:
        return as_begun(song_from_text(text if text else read_text(path), folder)), None
    except FairhearingError as error:
        return None, error
