"""Blinding of a maker who listens too: joins of forms that are heard blind are not played."""

from __future__ import annotations

from contextlib import suppress

from listening.maker.workspace import Workspace
from render.errors import FairhearingError, PageError
from render.renders.fingerprints import form_hashes
from render.song.forms import Form
from render.song.song import Song

SEALED_JOINS = (
    "The rounds have begun: joins of forms that somebody still hears blind are not played here until the "
    "study opens. The sheets stay readable; a form that is new plays its joins until it is rendered."
)


def sealed_forms(work: Workspace, song: Song) -> frozenset[str]:
    """Names of the forms whose joins are not played: they are in rounds that are open or planned."""
    study = work.study()
    contents = study.known
    if contents.opened is not None or not contents.rounds:
        return frozenset()
    known = {form.content_hash for form in contents.forms}
    names = {form.name for form in contents.forms}
    with suppress(FairhearingError):
        manifest = study.manifest
        now = form_hashes(song, manifest)
        known |= {form.content_hash for form in manifest.forms}
        return frozenset(name for name, content_hash in now.items() if content_hash in known)
    return frozenset(form.name for form in song.forms if form.name in names)


def require_playable(work: Workspace, song: Song, form: Form) -> None:
    """Refuse the sound of a form's joins while it is heard blind.

    Raises:
        PageError: 403.
    """
    if form.name in sealed_forms(work, song):
        raise PageError(403, "sealed", SEALED_JOINS)
