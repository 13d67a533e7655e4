"""Files of the way back: how to rebuild the form in question, and what to perform again."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from render.audio.containers import wav_audio_sha256
from render.errors import NotRenderedError
from render.files import writing_into
from render.renders.manifest import RenderedForm
from render.riff import Cue, write_cued_wav
from render.song.forms import Form
from render.song.song import Song
from render.song.song_map import BY_EAR, RE_RECORD
from reports.facts.study_facts import Facts
from reports.files import REPORT, cell, csv_text, file_name, write_text
from reports.way_back.markers import write_midi
from reports.way_back.rebuild import Sheet, SheetStep, sheet
from reports.way_back.rerecord import Item, listing

AS_PERFORMED = "Nothing: every part is heard as it was performed."
NOTHING_AGAIN = "Nothing that is certain; the joins want an ear."
AGAIN_COLUMNS = ("number", "first_bar", "last_bar", "part", "what", "why", "kind", "comments")


@dataclass(frozen=True)
class WayBack:
    """Rebuild sheet and re-record list of a form. `again` has what must be performed
    again first, then the joins to check by ear."""

    form: str
    sheet: Sheet
    again: tuple[Item, ...]

    @property
    def to_perform(self) -> tuple[Item, ...]:
        return tuple(item for item in self.again if not item.by_ear)

    @property
    def by_ear(self) -> tuple[Item, ...]:
        return tuple(item for item in self.again if item.by_ear)

    @property
    def nothing(self) -> str:
        """What is told where nothing must be performed again."""
        return NOTHING_AGAIN if self.by_ear else AS_PERFORMED


def way_back(facts: Facts) -> WayBack | None:
    """For the form decided on, else the best one; None while sealed, or for a form that is no more."""
    chosen = next((form for form in facts.forms if form.name == facts.chosen), None)
    if facts.sealed or chosen is None or chosen.form is None:
        return None
    return way_to(facts, chosen.form)


def way_to(facts: Facts, form: Form) -> WayBack:
    """The way back for any form of song.toml."""
    own = [c for c in facts.comments if c.form == form.name]
    return WayBack(form.name, sheet(facts.song, form), tuple(listing(facts.song, form, own)))


def step_id(way: WayBack, step: SheetStep) -> str:
    """What a step of the rebuild sheet is known by, for a list to tick off: the same while the step is."""
    return hashlib.sha256(f"{way.form}/{step.number}/{step.edit.text}".encode()).hexdigest()[:12]


def again_csv(way: WayBack) -> str:
    """The re-record list as a table: one row an item, the comments that fall there in the last column."""
    rows = (
        {
            "number": number, "first_bar": item.first_bar, "last_bar": item.last_bar, "part": cell(item.part),
            "what": item.what, "why": item.why, "kind": item.kind,
            "comments": cell(" / ".join(f"{c.shown}, {c.listen_words}: {c.text}" for c in item.comments)),
        }
        for number, item in enumerate(way.again, 1)
    )  # fmt: skip
    return csv_text(AGAIN_COLUMNS, rows)


def write_way_back(
    facts: Facts, form: Form, way: WayBack, pages: Mapping[str, str], folder: Path
) -> tuple[Path, ...]:
    """Write `pages` and tables, the form's map and its audio with a cue at every part into `folder`.

    Raises:
        WriteError, AudioError: a file could not be written; NotRenderedError: the render is not there.
    """
    render = next(f.render for f in facts.forms if f.name == form.name)
    assert render is not None and facts.manifest is not None
    source = facts.song.folder / render.wav
    if not source.is_file() or wav_audio_sha256(source) != render.sha256:
        raise NotRenderedError(
            f'the render of "{form.name}", {source}, is missing or not what was measured; delete it, run '
            "`fairhearing render`, then decide again"
        )
    texts = {**pages, "rebuild.csv": way.sheet.as_csv(), "re-record.csv": again_csv(way)}
    midi = folder / "rebuild.mid"
    wav = folder / f"{file_name(f'{facts.song.title} - {form.name}')}.wav"
    with writing_into(folder):
        for name, text in texts.items():
            write_text(folder / name, text)
        write_midi(facts.song, form, midi, places=marked_places(way))
        write_cued_wav(source, cues(render, facts.manifest.sample_rate), wav)
    return (*(folder / name for name in texts), midi, wav)


def marked_places(way: WayBack) -> list[tuple[int, str]]:
    """Each place of the re-record list as a marker: its first bar, and what is to be done there."""
    kinds = [(item, BY_EAR if item.by_ear else RE_RECORD) for item in way.again]
    return [(item.first_bar, f"{kind}{item.bars.lower()}, {item.part}: {item.what}") for item, kind in kinds]


def cues(render: RenderedForm, sample_rate: int) -> list[Cue]:
    """A cue at the first bar line of every part of a render."""
    return [Cue(round(part.start_s * sample_rate), part.text) for part in render.parts]


def folder_of(song: Song, number: int, form: str) -> Path:
    """Where the files of a decision lie: each has its own folder, so that none is ever overwritten."""
    return song.folder / REPORT / file_name(f"decision {number} - {form}")
