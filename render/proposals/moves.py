"""Single changes to a song's order, as a producer would say them: begin with the refrain, cut a verse."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from render.arrays import Audio
from render.song.forms import Section
from render.song.song import Song

Texts = tuple[str, ...]

ROLES = {
    "refrain": r"refrain|chorus|hook",
    "verse": r"verse|strophe",
    "bridge": r"bridge|middle|break|solo|c.?part",
    "intro": r"intro|opening",
    "outro": r"outro|coda|ending|end",
}
DRUMS = r"drum|beat|perc|kit|rhythm"
VOICE = r"voice|vox|vocal|sing|lead"


@dataclass(frozen=True)
class Move:
    """A change. `kind` groups moves that say the same; `apply` gives None where it does not fit."""

    kind: str
    name: str
    reason: str
    apply: Callable[[Texts], Texts | None]


@dataclass(frozen=True)
class Plan:
    """The song's sections with the part each plays, by their names or, failing that, by what recurs."""

    sections: tuple[Section, ...]
    roles: tuple[str, ...]
    stems: tuple[str, ...]

    @property
    def names(self) -> Texts:
        return tuple(s.name for s in self.sections)

    def of_role(self, role: str) -> list[Section]:
        return [s for s, r in zip(self.sections, self.roles, strict=True) if r == role]

    def stem(self, pattern: str) -> str | None:
        return next((s for s in self.stems if re.search(pattern, s, re.IGNORECASE)), None)

    @staticmethod
    def of(song: Song, bounce: Audio) -> Plan:
        """`bounce`: the song's audio, for which of the recurring sections is the loudest."""
        return Plan(song.sections, tuple(_roles(song, bounce)), tuple(song.stems))


def _roles(song: Song, bounce: Audio) -> list[str]:
    """A role for each section; without telling names, what is loudest is the refrain."""
    roles = [_named_role(s.name) for s in song.sections]
    if any(roles):
        return [role or "other" for role in roles]
    kinds = [re.sub(r"\s*\d+$", "", s.name).casefold() for s in song.sections]
    counts = Counter(kinds)
    levels = dict.fromkeys(counts, 0.0)
    for section, kind in zip(song.sections, kinds, strict=True):
        levels[kind] += _level(song, bounce, section) / counts[kind]
    longs = Counter(
        {k: max(s.bars for s, o in zip(song.sections, kinds, strict=True) if o == k) for k in counts}
    )
    hooks = [kind for kind in counts if counts[kind] > 1 or longs[kind] >= 8]
    loudest = max((levels[kind] for kind in hooks), default=0.0)
    found = []
    for index, kind in enumerate(kinds):
        edge = index in (0, len(kinds) - 1) and song.sections[index].bars <= 8 and counts[kind] == 1
        if len(counts) > 1 and kind in hooks and levels[kind] > 0.7 * loudest and not edge:
            found.append("refrain")
        elif counts[kind] > 1 or index < len(kinds) / 3:
            found.append("intro" if edge else "verse")
        else:
            found.append("outro" if edge else "bridge")
    return found


def _named_role(name: str) -> str | None:
    return next((r for r, p in ROLES.items() if re.search(rf"\b(?:{p})\b", name, re.IGNORECASE)), None)


def _level(song: Song, bounce: Audio, section: Section) -> float:
    start, stop = song.grid.line_frame(section.first_bar), song.grid.line_frame(section.last_bar + 1)
    excerpt = bounce[start:stop:7]  # every seventh sample says enough about a level
    return float(np.mean(excerpt.astype(np.float64) ** 2)) if len(excerpt) else 0.0


def moves(plan: Plan) -> list[Move]:
    """Every single change that the song's sections allow."""
    return [
        *_openings(plan), *_verses(plan), *_bridges(plan), *_refrains(plan), *_endings(plan), *_plain(plan)
    ]  # fmt: skip


def _openings(plan: Plan) -> Iterator[Move]:
    refrains, intros = plan.of_role("refrain"), plan.of_role("intro")
    if refrains and plan.sections[0] not in refrains:
        first = refrains[0].name
        yield Move(
            "opening", f"{first} first", f'begin with "{first}": the hook is out before anybody asks',
            lambda texts: (first, *(texts[1:] if texts[0] in {s.name for s in intros} else texts)),
        )  # fmt: skip
    if intros and len(plan.sections) > 2:
        intro = intros[0]
        yield Move(
            "opening", f"no {intro.name}", f'leave out "{intro.name}": the song starts where it matters',
            lambda texts: _without(texts, intro.name),
        )  # fmt: skip
        if intro.bars >= 4:
            half = f"{intro.name} bars 1-{intro.bars // 2}"
            yield Move(
                "opening", f"short {intro.name}", f'half of "{intro.name}" is enough to set the scene',
                lambda texts: _replaced(texts, intro.name, half),
            )  # fmt: skip


def _verses(plan: Plan) -> Iterator[Move]:
    verses = plan.of_role("verse")
    for verse in [v for v in verses if v.bars >= 4][:2]:
        half = f"{verse.name} bars 1-{_half(verse.bars)}"
        yield Move(
            f"half {verse.name}", f"half {verse.name}",
            f'drop the second half of "{verse.name}": what follows comes {_bars_saved(verse)} sooner',
            lambda texts, name=verse.name, half=half: _replaced(texts, name, half),  # type: ignore[misc]
        )  # fmt: skip
    if len(verses) > 1:
        second = verses[1].name
        yield Move(
            "one verse", f"no {second}", f'do without "{second}": one verse has told the story',
            lambda texts: _without(texts, second),
        )  # fmt: skip


def _bridges(plan: Plan) -> Iterator[Move]:
    bridges, refrains = plan.of_role("bridge"), plan.of_role("refrain")
    if not bridges:
        return
    bridge = bridges[-1].name
    yield Move(
        "bridge", f"no {bridge}", f'leave out "{bridge}": does the song miss it?',
        lambda texts: _without(texts, bridge),
    )  # fmt: skip
    if refrains:
        first = refrains[0].name

        def pulled_forward(texts: Texts) -> Texts | None:
            rest = _without(texts, bridge)
            return _after(rest, first, bridge) if rest else None

        yield Move(
            "bridge", f"early {bridge}",
            f'pull "{bridge}" forward, right after the first "{first}": the surprise comes before habit',
            pulled_forward,
        )  # fmt: skip
    yield Move(
        "opening", f"{bridge} opens",
        f'open with "{bridge}": the song begins from its strangest place',
        lambda texts: (bridge, *rest) if (rest := _without(texts, bridge)) else None,
    )  # fmt: skip


def _refrains(plan: Plan) -> Iterator[Move]:
    refrains = plan.of_role("refrain")
    if not refrains:
        return
    last = refrains[-1]
    if plan.sections[0] is not last:
        yield Move(
            "breath", f"breath before {last.name}",
            f'a bar of silence before "{last.name}": everybody leans in',
            lambda texts: _before_last(texts, last.name, "silence 1 bar"),
        )  # fmt: skip
    yield Move(
        "again", f"{last.name} again", f'"{last.name}" twice at the end: let them have it',
        lambda texts: _replaced(texts, last.name, f"{last.name} x2"),
    )  # fmt: skip
    drums, voice = plan.stem(DRUMS), plan.stem(VOICE)
    half = _half(last.bars)
    for stem, treatment, say in (
        (drums, "without", "then they come in: the size is made, not given"),
        (voice, "only", "then all come in: the words are heard for once"),
    ):
        if stem and last.bars >= 4:
            bare = (
                f"{last.name} bars 1-{half} {treatment} {stem}",
                f"{last.name} bars {half + 1}-{last.bars}",
            )
            yield Move(
                "bare", f"{last.name} {treatment} {stem}", f'half of "{last.name}" {treatment} {stem}, {say}',
                lambda texts, bare=bare: _spliced(texts, last.name, bare),  # type: ignore[misc]
            )  # fmt: skip
    if not drums and plan.stems:
        stem = plan.stems[0]
        yield Move(
            "bare", f"{refrains[0].name} without {stem}",
            f'"{refrains[0].name}" without {stem}: it leaves the next one room to grow',
            lambda texts: _replaced(texts, refrains[0].name, f"{refrains[0].name} without {stem}"),
        )  # fmt: skip


def _endings(plan: Plan) -> Iterator[Move]:
    refrains, outros, intros = plan.of_role("refrain"), plan.of_role("outro"), plan.of_role("intro")
    if outros and len(plan.sections) > 2:
        outro = outros[-1].name
        yield Move(
            "ending", f"no {outro}", f'end early, without "{outro}": stop while they want more',
            lambda texts: _without(texts, outro),
        )  # fmt: skip
    if len(refrains) >= 2:
        stop = refrains[-2].name
        yield Move(
            "ending", f"end on {stop}", f'end early, with "{stop}": short, and no goodbye',
            lambda texts: texts[: len(texts) - texts[::-1].index(stop)] if stop in texts else None,
        )  # fmt: skip
    if intros:
        intro = intros[0].name
        yield Move(
            "ending", f"back to {intro}", f'end as it began, with "{intro}": the circle closes',
            lambda texts: (*(t for t in texts if t not in {o.name for o in outros}), intro),
        )  # fmt: skip


def _plain(plan: Plan) -> Iterator[Move]:
    """For songs of few or unnamed sections."""
    longest = max(plan.sections, key=lambda s: s.bars)
    if longest.bars >= 4:
        half = f"{longest.name} bars 1-{_half(longest.bars)}"
        yield Move(
            "shorter", f"shorter {longest.name}",
            f'only the first half of "{longest.name}": less may be enough',
            lambda texts: _replaced(texts, longest.name, half),
        )  # fmt: skip
    last = plan.sections[-1]
    if len(plan.sections) < 4:
        yield Move(
            "breath", f"breath before {last.name}", f'a bar of silence before "{last.name}": a new start',
            lambda texts: _before_last(texts, last.name, "silence 1 bar"),
        )  # fmt: skip
        yield Move(
            "again", f"{last.name} again", f'"{last.name}" twice: once more, now that it is known',
            lambda texts: _replaced(texts, last.name, f"{last.name} x2"),
        )  # fmt: skip


def _bars_saved(section: Section) -> str:
    bars = section.bars - _half(section.bars)
    return f"{bars} bar{'' if bars == 1 else 's'}"


def _half(bars: int) -> int:
    """About half, in whole phrases of 4 or 2 bars where that is possible."""
    for phrase in (4, 2):
        half = round(bars / 2 / phrase) * phrase
        if 0 < half < bars:
            return half
    return max(bars // 2, 1)


def _without(texts: Texts, name: str) -> Texts | None:
    kept = tuple(t for t in texts if t != name)
    return kept if kept and kept != texts else None


def _replaced(texts: Texts, name: str, text: str) -> Texts | None:
    return _spliced(texts, name, (text,))


def _spliced(texts: Texts, name: str, instead: Texts) -> Texts | None:
    """The last entry called `name` replaced."""
    if name not in texts:
        return None
    at = len(texts) - 1 - texts[::-1].index(name)
    return (*texts[:at], *instead, *texts[at + 1 :])


def _after(texts: Texts, name: str, text: str) -> Texts | None:
    if name not in texts:
        return None
    at = texts.index(name)
    return (*texts[: at + 1], text, *texts[at + 1 :])


def _before_last(texts: Texts, name: str, text: str) -> Texts | None:
    """`text` ahead of the last entry that plays `name`, unless that opens the form."""
    at = max((i for i, t in enumerate(texts) if _plays(t, name)), default=0)
    while at and _plays(texts[at - 1], name):
        at -= 1
    return (*texts[:at], text, *texts[at:]) if at else None


def _plays(text: str, name: str) -> bool:
    return text == name or text.startswith((f"{name} bars", f"{name} x", f"{name} without", f"{name} only"))
