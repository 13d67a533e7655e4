"""Rendering of a study's forms, their registration in its log, and the messages about it."""

from __future__ import annotations

from dataclasses import dataclass

from listening.status import rendered_forms, retired_lines
from render.renders.manifest import Manifest
from render.renders.render_forms import render_forms
from render.steps import Step
from sessions.study import Study


@dataclass(frozen=True)
class Rendering:
    """The renders, and a sentence on each rated form that they retire."""

    manifest: Manifest
    retired: tuple[str, ...]


def render_study(study: Study, step: Step) -> Rendering:
    """Render the forms of song.toml; what open rounds need stays.

    Raises:
        FairhearingError: the song is not in order, or a file could not be written.
    """
    study.require_known_predecessors()
    before = rendered_forms(study) or ()
    manifest = render_forms(
        study.song, keep_sets=study.open_render_sets, known_forms=study.known_forms, progress=step
    )
    study.register(manifest)
    return Rendering(manifest, tuple(retired_lines(study, before)))


def doubtful_text(manifest: Manifest) -> str:
    """How many joins of the renders sound doubtful: "4 joins sound doubtful"; "" where none does."""
    count = sum(join.doubtful for form in manifest.forms for join in form.joins)
    return f"{count} {'join sounds' if count == 1 else 'joins sound'} doubtful" if count else ""


def loudness_words(target_lufs: float | None, spread_lu: float) -> list[str]:
    """What the loudness table means, in two sentences."""
    if target_lufs is None:
        return [
            f"Same gain for all: every shared section is identical, and the forms differ by "
            f"{spread_lu:.2f} LU over their whole length."
        ]
    return [
        f"All forms play at {target_lufs:.2f} LUFS; nothing was boosted or limited. One and the same section "
        f"can play up to {spread_lu:.2f} LU louder in one form than in another, because a form's loudness is "
        'measured over its whole length; matching = "same gain" keeps shared sections identical instead.'
    ]
