"""What each section of a song is for (intro, verse, refrain …), by its name or, failing that, its sound."""

from __future__ import annotations

import itertools
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import soundfile

from render.arrays import Audio, Floats
from render.song.forms import Section
from render.song.song import Song

Role = Literal["intro", "verse", "refrain", "bridge", "outro", "stop", "other"]

NAMED: Mapping[Role, str] = {
    "refrain": r"refrain|chorus|hook",
    "verse": r"verse|strophe",
    "bridge": r"bridge|middle|break|solo|c.?part",
    "intro": r"intro|opening",
    "outro": r"outro|coda|ending|end",
}
# Our own settings.
STOP_BARS = 4  # what is no longer, and this much quieter than the song's middle section, is a stop, no verse
STOP_DB = -5.0
SHORTEST_BARS = 3  # less is a stop or a turn at any level
HARDLY_PLAYS_DB = -12.0
EDGE_BARS = 16  # intros and outros are not longer
HEARD_DB = -20.0  # a stem plays where it is no further below its own loudest section
AUDIBLE_DB = -30.0  # and below the bounce there


@dataclass(frozen=True)
class SongPlan:
    """Sections with their roles, and which stems play in each."""

    sections: tuple[Section, ...]
    roles: tuple[Role, ...]
    stems: tuple[str, ...]
    playing: tuple[tuple[str, ...], ...]  # per section, loudest first

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(section.name for section in self.sections)

    def of_role(self, wanted: Role) -> list[Section]:
        return [s for s, role in zip(self.sections, self.roles, strict=True) if role == wanted]

    def plays(self, section: Section) -> tuple[str, ...]:
        """The stems that are heard in a section, loudest first."""
        return self.playing[self.sections.index(section)]


def kind_of(name: str) -> str:
    """What a section shares with its returns: "verse" of "verse 2", "A" of "A 1"."""
    return re.sub(r"\s*\d+$", "", name).casefold()


def plan_of(song: Song, bounce: Audio) -> SongPlan:
    """Roles of a song's sections, and stems in them; `bounce` is its audio, (frames, channels)."""
    levels = _levels_db(song, bounce)
    playing: list[list[str]] = [[] for _ in song.sections]
    by_stem = {name: _stem_levels_db(song, name) for name in song.stems}
    for at in range(len(song.sections)):
        loud = sorted(by_stem, key=lambda name: -by_stem[name][at])
        playing[at] = [
            name for name in loud
            if by_stem[name][at] > max(by_stem[name].max() + HEARD_DB, levels[at] + AUDIBLE_DB)
        ]  # fmt: skip
    roles = roles_of(song.sections, [float(level) for level in levels])
    return SongPlan(song.sections, tuple(roles), tuple(song.stems), tuple(map(tuple, playing)))


def roles_of(sections: Sequence[Section], levels_db: Sequence[float]) -> list[Role]:
    """A role for each section: what its name says, else what its place, length, level and returns say."""
    named = [_named(section.name) for section in sections]
    if any(named):
        return [role or "other" for role in named]
    kinds = [kind_of(section.name) for section in sections]
    refrain = _refrain_kind(sections, kinds, levels_db)
    middle = float(np.median(levels_db))
    last = len(sections) - 1
    hook = kinds.index(refrain) if refrain is not None else last
    roles: list[Role] = []
    for at, (section, kind) in enumerate(zip(sections, kinds, strict=True)):
        once = kinds.count(kind) == 1
        quieter_db = levels_db[at] - middle
        stop = quieter_db < (STOP_DB if section.bars <= STOP_BARS else HARDLY_PLAYS_DB)
        if kind == refrain:
            roles.append("refrain")
        elif at == 0 and len(sections) > 2 and section.bars <= EDGE_BARS:
            roles.append("intro")
        elif at == last and len(sections) > 2 and section.bars <= EDGE_BARS:
            roles.append("outro")
        elif stop or section.bars < SHORTEST_BARS:
            roles.append("stop")
        elif once and at > hook:
            roles.append("bridge")
        else:
            roles.append("verse")
    return roles


def _named(name: str) -> Role | None:
    return next((r for r, p in NAMED.items() if re.search(rf"\b(?:{p})\b", name, re.IGNORECASE)), None)


def _refrain_kind(
    sections: Sequence[Section], kinds: Sequence[str], levels_db: Sequence[float]
) -> str | None:
    """Of what comes back, and is no mere stop, the loudest; a little for what comes back more often."""
    counts = Counter(kinds)
    best, most = None, -np.inf
    for kind, count in counts.items():
        own = [at for at, other in enumerate(kinds) if other == kind]
        apart = any(two - one > 1 for one, two in itertools.pairwise(own))
        if count < 2 or not apart or max(sections[at].bars for at in own) < 2 * STOP_BARS:
            continue
        loud = float(np.mean([levels_db[at] for at in own])) + 0.5 * min(count, 4) - 1.0 * (own[0] == 0)
        if loud > most:
            best, most = kind, loud
    return best


def _spans(song: Song) -> list[tuple[int, int]]:
    line = song.grid.line_frame
    return [(line(s.first_bar), min(line(s.last_bar + 1), song.audio.frames)) for s in song.sections]


def _levels_db(song: Song, audio: Audio) -> Floats:
    """RMS level of each section; every seventh sample says enough about a level."""
    powers = [
        float(np.mean(np.square(audio[a:b:7], dtype=np.float64))) if b > a else 0.0 for a, b in _spans(song)
    ]
    return 10 * np.log10(np.array(powers) + 1e-12)


def _stem_levels_db(song: Song, name: str) -> Floats:
    """The same of a stem, from the middle 8 s of each section."""
    powers = []
    with soundfile.SoundFile(song.stems[name]) as file:
        for start, stop in _spans(song):
            frames = min(stop - start, 8 * song.audio.sample_rate)
            file.seek(max((start + stop - frames) // 2, 0))
            excerpt = file.read(max(frames, 0), dtype="float32", always_2d=True)[::7]
            powers.append(float(np.mean(np.square(excerpt, dtype=np.float64))) if len(excerpt) else 0.0)
    return 10 * np.log10(np.array(powers) + 1e-12)
