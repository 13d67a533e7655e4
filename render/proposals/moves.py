"""Single changes to a song's order, as a producer would say them: begin with the refrain, halve a verse."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from render.figures import counted
from render.proposals.roles import SongPlan, kind_of
from render.song.forms import Section

Texts = tuple[str, ...]
DRUMS = r"drum|beat|perc|kit|rhythm"
VOICE = r"voice|vox|vocal|sing|lead"
LONGEST_ALONE_BARS = 8  # that one stem may play by itself


@dataclass(frozen=True)
class FormMove:
    """A change. `kind` groups moves that say the same; `worth` (0..1, our own taste) is how gladly a producer
    would try it; `apply` gives None where it does not fit."""

    kind: str
    name: str
    reason: str
    worth: float
    apply: Callable[[Texts], Texts | None]


def moves(plan: SongPlan) -> list[FormMove]:
    """Every single change that the song's sections and stems allow."""
    return [
        *_openings(plan), *_verses(plan), *_bridges(plan), *_refrains(plan), *_endings(plan), *_stems(plan),
        *_plain(plan),
    ]  # fmt: skip


def _openings(plan: SongPlan) -> Iterator[FormMove]:
    refrains, intros = plan.of_role("refrain"), plan.of_role("intro")
    intro = intros[0] if intros and intros[0] == plan.sections[0] and len(plan.sections) > 2 else None
    following = plan.sections[1] if intro and len(plan.sections) > 1 else plan.sections[0]
    if refrains and kind_of(following.name) != kind_of(refrains[0].name):
        first = refrains[0]
        heard = f"{first.name} bars 1-8" if first.bars > 8 else first.name
        yield FormMove(
            "opening", f"{first.name} first", f'begin with "{heard}": the hook is out before anybody asks',
            1.0,
            lambda texts: (heard, *(texts[1:] if intro and texts[0] == intro.name else texts)),
        )  # fmt: skip
    if intro is None:
        return
    yield FormMove(
        "intro", f"no {intro.name}", f'leave out "{intro.name}": the song starts where it matters', 0.6,
        lambda texts: _without(texts, intro.name),
    )  # fmt: skip
    if intro.bars >= 4:
        half = f"{intro.name} bars 1-{half_of(intro.bars)}"
        yield FormMove(
            "intro", f"short {intro.name}", f'half of "{intro.name}" is enough to set the scene', 0.6,
            lambda texts: _replaced(texts, intro.name, half),
        )  # fmt: skip


def _verses(plan: SongPlan) -> Iterator[FormMove]:
    verses = [verse for verse in plan.of_role("verse") if verse.bars >= 8]
    for number, verse in enumerate(verses[:3]):
        if verse.bars < 12 and number == 0:
            continue  # the first telling needs its room
        half = f"{verse.name} bars 1-{half_of(verse.bars)}"
        sooner = counted(verse.bars - half_of(verse.bars), "bar")
        yield FormMove(
            "half verse", f"half {verse.name}",
            f'only the first half of "{verse.name}": what follows comes {sooner} sooner', 0.75,
            lambda texts, name=verse.name, half=half: _replaced(texts, name, half),  # type: ignore[misc]
        )  # fmt: skip
    for one, two in zip(plan.sections, plan.sections[1:], strict=False):
        if kind_of(one.name) == kind_of(two.name) and one.name != two.name:
            yield FormMove(
                "once", f"{one.name} once",
                f'"{two.name}" says again what "{one.name}" has just said: go on', 0.8,
                lambda texts, name=two.name: _without(texts, name),  # type: ignore[misc]
            )  # fmt: skip
    by_kind = {kind_of(verse.name): verse.name for verse in reversed(verses)}
    for verse in verses:
        first = by_kind[kind_of(verse.name)]
        if verse.name != first:
            yield FormMove(
                "no verse", f"no {verse.name}",
                f'do without "{verse.name}": "{first}" has said it, and the song moves on', 0.7,
                lambda texts, name=verse.name: _without(texts, name),  # type: ignore[misc]
            )  # fmt: skip


def _bridges(plan: SongPlan) -> Iterator[FormMove]:
    bridges, refrains = plan.of_role("bridge"), plan.of_role("refrain")
    for bridge in bridges[-2:]:
        yield FormMove(
            "no bridge", f"no {bridge.name}", f'leave out "{bridge.name}": does the song miss it?', 0.7,
            lambda texts, name=bridge.name: _without(texts, name),  # type: ignore[misc]
        )  # fmt: skip
        if not refrains:
            continue
        first, last = refrains[0].name, refrains[-1].name
        yield FormMove(
            "bridge", f"early {bridge.name}",
            f'pull "{bridge.name}" forward, right after the first "{first}": the surprise comes before habit',
            0.9, lambda texts, name=bridge.name, first=first: _moved(texts, name, after=first),  # type: ignore[misc]
        )  # fmt: skip
        if last != first:
            yield FormMove(
                "bridge", f"late {bridge.name}",
                f'hold "{bridge.name}" back until just before "{last}": the last return is earned', 0.75,
                lambda texts, name=bridge.name, last=last: _moved(texts, name, before=last),  # type: ignore[misc]
            )  # fmt: skip


def _refrains(plan: SongPlan) -> Iterator[FormMove]:
    refrains = plan.of_role("refrain")
    if not refrains:
        return
    first, last = refrains[0], refrains[-1]
    if plan.sections[0] is not last:
        yield FormMove(
            "breath", f"breath before {last.name}",
            f'a bar of silence before "{last.name}": everybody leans in', 0.8,
            lambda texts: _silence_before(texts, last.name),
        )  # fmt: skip
    yield FormMove(
        "again", f"{last.name} again", f'"{last.name}" twice: let them have it', 0.5,
        lambda texts: _replaced(texts, last.name, f"{last.name} x2"),
    )  # fmt: skip
    if first != last and first.bars >= 8:
        half = f"{first.name} bars 1-{half_of(first.bars)}"
        yield FormMove(
            "half refrain", f"half {first.name}",
            f'only half of "{first.name}" the first time: the whole of it is kept for later', 0.7,
            lambda texts: _replaced(texts, first.name, half),
        )  # fmt: skip


def _endings(plan: SongPlan) -> Iterator[FormMove]:
    refrains, outros, intros = plan.of_role("refrain"), plan.of_role("outro"), plan.of_role("intro")
    if outros and len(plan.sections) > 2:
        outro = outros[-1].name
        yield FormMove(
            "ending", f"no {outro}", f'end early, without "{outro}": stop while they want more', 0.65,
            lambda texts: _without(texts, outro),
        )  # fmt: skip
    if refrains and plan.sections[-1] not in (refrains[-1], *outros[-1:]):
        stop = refrains[-1].name
        yield FormMove(
            "ending", f"end on {stop}", f'end with "{stop}": on the height, and no goodbye', 0.7,
            lambda texts: _until(texts, stop),
        )  # fmt: skip
    elif len(refrains) >= 3:
        stop = refrains[-2].name
        yield FormMove(
            "ending", f"end on {stop}", f'end with "{stop}": two rounds are enough', 0.55,
            lambda texts: _until(texts, stop),
        )  # fmt: skip
    if intros and intros[0] == plan.sections[0]:
        intro = intros[0].name
        yield FormMove(
            "ending", f"back to {intro}", f'end as it began, with "{intro}": the circle closes', 0.6,
            lambda texts: (*(t for t in texts if t not in {o.name for o in outros}), intro),
        )  # fmt: skip


def _stems(plan: SongPlan) -> Iterator[FormMove]:
    refrains, verses, bridges = (plan.of_role(role) for role in ("refrain", "verse", "bridge"))
    places = [
        (refrains[-1:], "then they come in: the size is made, not given", 1.0, True),
        (verses[1:2] or verses[:1], "air before what follows", 0.9, False),
        (bridges[-1:], "the floor goes, and the return has weight", 0.85, False),
    ]
    for sections, why, worth, half in places:
        for section in sections:
            stem = _to_leave_out(plan, section, half)
            if stem is not None:
                yield _bare(section, f"without {stem}", why, worth, half)
    opening = plan.sections[0]
    alone = next((s for s in plan.plays(opening) if not re.search(DRUMS, s, re.IGNORECASE)), None)
    if alone and len(plan.plays(opening)) > 1 and opening.bars >= 4:
        bars = min(half_of(opening.bars), LONGEST_ALONE_BARS)
        first, rest = f"{opening.name} bars 1-{bars}", f"{opening.name} bars {bars + 1}-{opening.bars}"
        yield FormMove(
            "alone", f"{alone} opens", f"{bars} bars of {alone} alone, then all: the ear is drawn in first",
            0.8, lambda texts: _spliced(texts, opening.name, (f"{first} only {alone}", rest)),
        )  # fmt: skip
    voice = next((s for s in plan.stems if re.search(VOICE, s, re.IGNORECASE)), None)
    if voice and refrains and voice in plan.plays(refrains[-1]) and refrains[-1].bars >= 8:
        yield _bare(
            refrains[-1], f"only {voice}", "then all come in: the words are heard for once", 0.9, True
        )


def _to_leave_out(plan: SongPlan, section: Section, half: bool) -> str | None:
    """The stem whose silence is felt there and leaves enough: drums, else what is loudest but no voice."""
    playing = plan.plays(section)
    bars = half_of(section.bars) if half else section.bars
    if section.bars < 4 or len(playing) < 2 or (len(playing) == 2 and bars > LONGEST_ALONE_BARS):
        return None
    drums = [stem for stem in playing if re.search(DRUMS, stem, re.IGNORECASE)]
    others = [stem for stem in playing if not re.search(VOICE, stem, re.IGNORECASE)]
    return next(iter(drums or others), None)


def _bare(section: Section, treatment: str, why: str, worth: float, half: bool) -> FormMove:
    if not half:
        return FormMove(
            "bare", f"{section.name} {treatment}", f'"{section.name}" {treatment}: {why}', worth,
            lambda texts: _replaced(texts, section.name, f"{section.name} {treatment}"),
        )  # fmt: skip
    bars = half_of(section.bars)
    if treatment.startswith("only"):
        bars = min(bars, LONGEST_ALONE_BARS)
    parts = (f"{section.name} bars 1-{bars} {treatment}", f"{section.name} bars {bars + 1}-{section.bars}")
    return FormMove(
        "bare", f"{section.name} {treatment}",
        f'the first {bars} bars of "{section.name}" {treatment}, {why}', worth,
        lambda texts: _spliced(texts, section.name, parts),
    )  # fmt: skip


def _plain(plan: SongPlan) -> Iterator[FormMove]:
    """For songs of few or unnamed sections."""
    longest, last = max(plan.sections, key=lambda s: s.bars), plan.sections[-1]
    if longest.bars >= 8 and longest not in plan.of_role("verse"):
        half = f"{longest.name} bars 1-{half_of(longest.bars)}"
        yield FormMove(
            "shorter", f"shorter {longest.name}",
            f'only the first half of "{longest.name}": less may be enough', 0.5,
            lambda texts: _replaced(texts, longest.name, half),
        )  # fmt: skip
    if len(plan.sections) < 4:
        yield FormMove(
            "breath", f"breath before {last.name}", f'a bar of silence before "{last.name}": a new start',
            0.7,
            lambda texts: _silence_before(texts, last.name),
        )  # fmt: skip
        yield FormMove(
            "again", f"{last.name} again", f'"{last.name}" twice: once more, now that it is known', 0.5,
            lambda texts: _replaced(texts, last.name, f"{last.name} x2"),
        )  # fmt: skip


def half_of(bars: int) -> int:
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


def _moved(texts: Texts, name: str, after: str = "", before: str = "") -> Texts | None:
    """The entry `name` moved behind the first, or ahead of the last, of another name."""
    rest, target = _without(texts, name), after or before
    if rest is None or target not in rest:
        return None
    at = rest.index(after) + 1 if after else len(rest) - 1 - rest[::-1].index(before)
    order = (*rest[:at], name, *rest[at:])
    return order if order != texts else None


def _until(texts: Texts, name: str) -> Texts | None:
    return texts[: len(texts) - texts[::-1].index(name)] if name in texts else None


def _silence_before(texts: Texts, name: str) -> Texts | None:
    """A bar of silence ahead of the last entry that plays `name`, unless that opens the form."""
    at = max((i for i, t in enumerate(texts) if _plays(t, name)), default=0)
    while at and _plays(texts[at - 1], name):
        at -= 1
    return (*texts[:at], "silence 1 bar", *texts[at:]) if at else None


def _plays(text: str, name: str) -> bool:
    return text == name or text.startswith((f"{name} bars", f"{name} x", f"{name} without", f"{name} only"))
