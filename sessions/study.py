"""A study: a folder with song.toml, the renders, the log and the reports."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterable
from contextlib import suppress
from datetime import tzinfo
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

from render.errors import (
    FairhearingError,
    FormError,
    ManifestError,
    NotRenderedError,
    RenderError,
    StudyError,
)
from render.renders.fingerprints import form_hashes
from render.renders.manifest import Manifest, RenderedForm, as_begun, manifest_path, read_manifest
from render.song.forms import did_you_mean, name_in
from render.song.song import SONG_FILE, Listener, Outline, Song, load_outline, load_song, read_text
from sessions.clock import Clock, system_clock
from sessions.resting import PanelReading
from sessions.unchanged import Unchanged

if TYPE_CHECKING:  # loaded when a log is opened: `check` of a study that nobody has heard needs no database
    from sessions.log import Log
    from sessions.records import LogContents

LOG_FILE = "log.sqlite"
Reader: TypeAlias = Callable[["Study"], PanelReading | None]


class Study:
    """Opens what a command needs of a study, when it needs it."""

    def __init__(
        self,
        folder: Path,
        clock: Clock = system_clock,
        store: str | None = None,
        reader: Reader | None = None,
    ) -> None:
        """`reader` reads the ratings so far; without one, no form rests and no state is known."""
        self.folder = folder
        self.reader = reader
        self.clock = clock
        self._store = store
        self._unchanged = Unchanged()

    @cached_property
    def song(self) -> Song:
        """song.toml, read and checked."""
        return self._read_song()

    def _read_song(self) -> Song:
        return self._unchanged.get("song", lambda: as_begun(load_song(self.folder)), _files_of)

    @cached_property
    def outline(self) -> Outline:
        """Listeners, form names and plan, without a look at the audio."""
        return self.__dict__.get("song") or load_outline(self.folder)

    @property
    def has_log(self) -> bool:
        return self._store is not None or (self.folder / LOG_FILE).exists()

    @cached_property
    def log(self) -> Log:
        """The log; it is made when first asked for, in a folder that holds a song.toml."""
        from sessions.log import Log
        from sessions.store import Store

        if not self.folder.is_dir():
            raise StudyError(f"there is no folder {self.folder}; name the study's folder with --study")
        if not self.has_log and not (self.folder / SONG_FILE).is_file():
            raise StudyError(
                f"{self.folder} is no study: it holds no {SONG_FILE}; start one with "
                "`fairhearing new AUDIO`, or name its folder with --study"
            )
        where = self._store if self._store is not None else self.folder / LOG_FILE
        return Log(Store(where, self.clock), self.clock)

    @property
    def known(self) -> LogContents:
        """The log without its listens; empty where there is none yet."""
        from sessions.records import EMPTY

        return self.log.contents(listens=False) if self.has_log else EMPTY

    def in_zone(self, zone: tzinfo) -> Study:
        """The same study and log, where the date is that of another time zone (a listener's own).

        song.toml is read anew if it has changed; while somebody edits it into disorder, the last good one
        holds.
        """
        from sessions.log import Log

        with suppress(FairhearingError):
            self.__dict__["song"] = self._read_song()
        study = Study(self.folder, lambda: self.clock().astimezone(zone), self._store, self.reader)
        study._unchanged = self._unchanged
        study.__dict__.update(song=self.song, log=Log(self.log.store, study.clock))  # fills the caches
        return study

    @property
    def manifest(self) -> Manifest:
        """The current renders."""
        return self._read_manifest(manifest_path(self.folder))

    def _read_manifest(self, path: Path) -> Manifest:
        return self._unchanged.get(path, lambda: read_manifest(path), lambda _manifest: (path,))

    def manifest_of(self, set_id: str) -> Manifest:
        """The renders that a round was started with; one whose file is gone is played from the current set,
        where the same samples are there again.

        Raises:
            ManifestError: it is not known any more what the round plays.
        """
        path = manifest_path(self.folder, set_id)
        try:
            manifest = self._read_manifest(path)
        except RenderError as error:
            with suppress(RenderError):
                if self.manifest.set_id == set_id:  # the same manifest, kept twice
                    return self.manifest
            raise ManifestError(
                f"{error}. If that does not bring {path.name} back, put in a copy of it (a backup, the "
                "history of a synchronised folder); without one, that round ends with the ratings it has "
                "when its listener comes again"
            ) from None
        lost = [form for form in manifest.forms if not (self.folder / form.wav).is_file()]
        if not lost or self.manifest.file_bytes != manifest.file_bytes:
            return manifest
        again = {form.sha256: form.wav for form in self.manifest.forms}
        forms = tuple(
            form.model_copy(update={"wav": again.get(form.sha256, form.wav)}) if form in lost else form
            for form in manifest.forms
        )
        return manifest.model_copy(update={"forms": forms})

    def listener(self, name: str) -> Listener:
        """A listener of song.toml, by name in any case."""
        by_name = {listener.name: listener for listener in self.song.listeners}
        if not by_name:
            raise StudyError(f'song.toml lists no listeners; add "{name} = {{}}" under [listeners]')
        return by_name[name_in(by_name, name, "listener")]

    def open_render_sets(self) -> set[str]:
        """Render sets that rounds in progress still need."""
        return {r.render_set for r in self.known.rounds if r.complete is None}

    def known_forms(self) -> set[str]:
        """Content hashes of the forms that the log knows."""
        return {form.content_hash for form in self.known.forms}

    def require_known_predecessors(self) -> None:
        """Refuse a form that replaces one which never was.

        Raises:
            FormError: it names the form, and what it may have meant.
        """
        known = [form.name for form in self.song.forms]
        if any(form.replaces is not None for form in self.song.forms):
            known += [form.name for form in self.known.forms]
        folded = {name.casefold() for name in known}
        for form in self.song.forms:
            if form.replaces is not None and form.replaces.casefold() not in folded:
                raise FormError(
                    f'forms."{form.name}" replaces "{form.replaces}", but there never was such a form'
                    f"{did_you_mean(form.replaces, dict.fromkeys(known))}"
                )

    def changed_forms(self, manifest: Manifest) -> list[str]:
        """Names of the forms that song.toml has otherwise than `manifest` (or that only one of them has).

        Raises:
            SongError, RenderError: song.toml cannot be rendered as it stands.
        """
        now = form_hashes(self.song, manifest)
        rendered = {form.name: form.content_hash for form in manifest.forms}
        return sorted(n for n in {*now, *rendered} if now.get(n) != rendered.get(n))

    def require_fresh_renders(self) -> Manifest:
        """The current renders, refused when song.toml has changed since they were made, or one is gone."""
        manifest = self.manifest
        changed = self.changed_forms(manifest)
        if changed:
            names = ", ".join(f'"{name}"' for name in changed)
            raise StudyError(
                f"song.toml has changed since the last render ({names}); run `fairhearing render`"
            )
        gone = [form.wav for form in manifest.forms if not (self.folder / form.wav).is_file()]
        if gone:
            raise NotRenderedError(
                f"the render {self.folder / gone[0]} is missing; run `fairhearing render` to make it again "
                "(ratings are not affected)"
            )
        return manifest

    def register(self, manifest: Manifest, simulated: Iterable[str] = ()) -> dict[str, int]:
        """Make the song's listeners and rendered forms known to the log, and draw the plan's seed.

        Returns the forms' ids in the log by their content hashes.
        """
        from sessions.log import NewForm

        self.log.secret("plan_seed")
        known = self.log.contents(listens=False)
        marked = set(simulated)
        for listener in self.song.listeners:
            if listener.name not in known.listeners:
                self.log.add_listener(listener.name, simulated=listener.name in marked)
        hashes_by_name = {form.name: form.content_hash for form in manifest.forms}
        ids = {form.content_hash: form.id for form in known.forms}
        if any(form.content_hash not in ids for form in manifest.forms):
            ids = self.log.add_forms(
                NewForm(
                    form.content_hash, form.name, _replaced_hash(form.replaces, hashes_by_name, known),
                    _description(form, manifest.lead_s),
                )
                for form in manifest.forms
            )  # fmt: skip
        return {form.content_hash: ids[form.content_hash] for form in manifest.forms}


def _files_of(song: Song) -> list[Path]:
    """What a song was read from: song.toml, what it names, and the manifest, which keeps how forms are
    joined."""
    table = tomllib.loads(read_text(song.folder / SONG_FILE))["song"]
    named = [song.folder / table[key] for key in ("audio", "map", "beats") if key in table]
    return [song.folder / SONG_FILE, manifest_path(song.folder), *named, *song.stems.values()]


def _description(form: RenderedForm, lead_s: float) -> dict[str, Any]:
    """A form's parts as the log keeps them: seconds after the first bar line, as comments are."""
    parts = [part.model_dump() for part in form.parts]
    for part in parts:
        part["start_s"] -= lead_s
        part["stop_s"] -= lead_s
    return {"seconds": form.seconds - lead_s, "parts": parts}


def _replaced_hash(replaces: str | None, hashes_by_name: dict[str, str], known: LogContents) -> str | None:
    """The content hash of the form that a revision follows: the last one of that name in the log."""
    if replaces is None:
        return None
    for form in reversed(known.forms):
        if form.name.casefold() == replaces.casefold():
            return form.content_hash
    return next((h for n, h in hashes_by_name.items() if n.casefold() == replaces.casefold()), None)
