"""The sheet Forms: road maps side by side, a part a line, joins heard and mended; never whole forms."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from listening.maker.action import Action, Done, changed, named, text, texts, whole
from listening.maker.blinding import SEALED_JOINS, sealed_forms
from listening.maker.sheets import road_maps
from listening.maker.workspace import Workspace
from listening.status import rated_forms_of
from render.audio.stems import read_audio
from render.audio.timeline import lay_out, longest_lead
from render.edits.forms import remove_form, rename_form, set_form
from render.edits.parts import Passage, part_text
from render.edits.sections import set_pickup
from render.errors import FormError, PageError, StudyError
from render.joins.finding import Remedy, ReplacePart, SetEnding, SetPickup
from render.proposals.idea import Idea
from render.proposals.ideas import propose as propose_ideas
from render.song.forms import AS_WRITTEN, MOST_PARTS, Form, Treatment, parse_part
from render.song.song import Song
from render.steps import Step

IDEAS_AT_ONCE = 3
NO_WHOLE_FORMS = (
    "Whole forms cannot be heard here: a form is judged whole, blind and counted, in the rounds, or not at "
    "all. What can be heard is every join, by itself."
)


def stands(work: Workspace) -> str:
    """Whether there is a form to compare with the song as written."""
    return "in order" if len(work.song().forms) > 1 else "asks something"


def context(work: Workspace, shown: Mapping[str, str]) -> dict[str, Any]:
    """What the template shows."""
    song = work.song()
    if road_maps.unjudged(work, song):
        with suppress(StudyError):
            work.jobs.start("joins", "judging the joins", lambda step: road_maps.judge_joins(work, step))
    laid_out = []
    for form in song.forms:
        with suppress(FormError):
            laid_out.append(lay_out(song, form))
    lead = longest_lead(song, laid_out)
    editing = next((form for form in song.forms if form.name == shown.get("form") != AS_WRITTEN), None)
    return {
        "song": song, "maps": [road_maps.road_map(work, song, form, lead) for form in song.forms],
        "editing": editing.name if editing else "", "line_shown": shown.get("line", ""),
        "pieces": {e: road_maps.plain_piece(editing, e) for e in set(editing.entries)} if editing else {},
        "lengths": {section.name: section.bars for section in song.sections},
        "firsts": {section.name: section.first_bar for section in song.sections},
        "completions": road_maps.completions(song), "judging": work.jobs.last("joins"),
        "thinking": work.jobs.last("ideas"),
        "ideas": work.cache.get("ideas", ()), "sealed": sealed_forms(work, song),
        "sealed_words": SEALED_JOINS,
        "rated": _rated_names(work), "no_whole": NO_WHOLE_FORMS,
        "rate": song.audio.sample_rate,
    }  # fmt: skip


def _rated_names(work: Workspace) -> frozenset[str]:
    """Names of the rendered forms that somebody has rated."""
    study = work.study()
    rated = rated_forms_of(study)
    return frozenset(f.name for f in study.known.forms if f.content_hash in rated)


def _form(song: Song, args: Mapping[str, Any]) -> Form:
    return named((form for form in song.forms if form.name != AS_WRITTEN), text(args, "form"), "form")


def _written(work: Workspace, form: Form, parts: Sequence[str], words: str, version: str) -> Done:
    """Replace a form's parts; each is checked by itself first, so that its mistake is told as its own."""
    if not parts:
        raise PageError(422, "order", "A form has at least one part; take the whole form out instead.")
    ending = None if form.ending is None else str(form.ending)
    return changed(
        work, version, words, set_form, form.name, parts, ending=ending, replaces=form.replaces,
        show={"form": form.name},
    )  # fmt: skip


def _edit(
    change: Callable[[Song, list[str], int, Mapping[str, Any]], str],
) -> Action:
    """An action on one line of a form: `change` alters the list of parts in place and says so in words."""

    def act(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
        song = work.song()
        form = _form(song, args)
        parts = [*form.texts]
        entry = whole({"line": args.get("entry", 0)}, "line", 0, MOST_PARTS)
        if not (0 if change is _add else 1) <= entry <= len(parts):
            raise PageError(409, "gone", "This line is not there any more.")
        words = change(song, parts, entry, args)
        return _written(work, form, parts, f"{words} in “{form.name}”", version)

    return act


def _checked(song: Song, part: str) -> str:
    """A part, refused in the words of `check` where it cannot be read.

    Raises:
        FormError: it is not in the part language.
    """
    parse_part(part, song.sections, list(song.stems), "this line")
    return part


def _set(song: Song, parts: list[str], entry: int, args: Mapping[str, Any]) -> str:
    part = text(args, "part", empty=True)
    if not part:
        gone = parts.pop(entry - 1)
        return f"“{gone}” taken out"
    parts[entry - 1] = _checked(song, part)
    return f"“{part}”"


def _add(song: Song, parts: list[str], entry: int, args: Mapping[str, Any]) -> str:
    part = _checked(song, text(args, "part"))
    parts.insert(entry, part)
    return f"“{part}” put in"


def _move(_song: Song, parts: list[str], entry: int, args: Mapping[str, Any]) -> str:
    by = whole(args, "by", -MOST_PARTS, MOST_PARTS)
    if not 1 <= entry + by <= len(parts):
        raise PageError(422, "order", "There is no line to move it past.")
    part = parts.pop(entry - 1)
    parts.insert(entry - 1 + by, part)
    return f"“{part}” moved"


def _remove(_song: Song, parts: list[str], entry: int, _args: Mapping[str, Any]) -> str:
    return f"“{parts.pop(entry - 1)}” taken out"


def _compose(song: Song, parts: list[str], entry: int, args: Mapping[str, Any]) -> str:
    """A line from what was chosen for it: its bars, how often, without or only stems, silence before it."""
    section = named(song.sections, text(args, "section"), "section")
    first, last = whole(args, "first", 1, section.bars), whole(args, "last", 1, section.bars)
    stems = tuple(sorted(texts(args, "stems", 99))) if "stems" in args else ()
    treatments = {"without": Treatment("without", stems), "only": Treatment("only", stems)} if stems else {}
    treatment = treatments.get(text(args, "mode"), Treatment())
    bars = section.first_bar + first - 1, section.first_bar + max(first, last) - 1
    part = part_text(section, Passage(*bars, whole(args, "times", 1, MOST_PARTS), treatment))
    parts[entry - 1] = _checked(song, part)
    silence = text(args, "silence", empty=True)
    if silence:
        parts.insert(entry - 1, _checked(song, f"silence {silence.removeprefix('silence').strip()}"))
    return f"“{part}”"


def _new(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    """A form to begin with: the song as written, under a name of its own."""
    song = work.song()
    name = text(args, "name")
    if any(form.name.casefold() == name.casefold() for form in song.forms):
        raise PageError(422, "order", f"There is a form “{name}” already; give another name.")
    like = next((form for form in song.forms if form.name == args.get("like")), None)
    parts = list(like.texts) if like and like.texts else [section.name for section in song.sections]
    return changed(work, version, f"a form “{name}”", set_form, name, parts, show={"form": name})


def _take_out(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    form = _form(work.song(), args)
    return changed(work, version, f"“{form.name}” taken out", remove_form, form.name, show={"form": ""})


def _rename(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    form, name = _form(work.song(), args), text(args, "name")
    words = f"“{form.name}” is “{name}”"
    return changed(work, version, words, rename_form, form.name, name, show={"form": name})


def _ending(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    form, ending = _form(work.song(), args), text(args, "ending", empty=True)
    if not ending:
        raise PageError(422, "order", "Write how it ends: “ring 1 beat”, “cut” or “fade 2 bars”.")
    return changed(
        work, version, "the ending", set_form, form.name, form.texts, ending=ending, replaces=form.replaces,
        show={"form": form.name},
    )  # fmt: skip


def _mend(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    """Apply one of the remedies that stand beside a doubtful join."""
    song = work.song()
    form = _form(song, args)
    findings = work.cache.get(road_maps.findings_key(song, lay_out(song, form)), ())
    index, which = whole(args, "index", 0, 10_000), whole(args, "which", 0, 100)
    if index >= len(findings) or which >= len(findings[index].remedies):
        raise PageError(409, "gone", "This was judged anew meanwhile; look again.")
    remedy: Remedy = findings[index].remedies[which]
    work.change(remedy.words, version, _with_remedy, song, remedy)
    return Done(f"{remedy.words[:1].upper()}{remedy.words[1:]}.")


def _with_remedy(toml: str, folder: Path, song: Song, remedy: Remedy) -> str:
    if isinstance(remedy, SetPickup):
        return set_pickup(toml, folder, remedy.section, remedy.pickup_beats)
    form = song.form(remedy.form)
    parts, ending = [*form.texts], None if form.ending is None else str(form.ending)
    if isinstance(remedy, ReplacePart):
        if parts[remedy.entry - 1] != remedy.old:
            raise PageError(409, "gone", "This was judged anew meanwhile; look again.")
        parts[remedy.entry - 1 : remedy.entry] = remedy.new
    else:
        assert isinstance(remedy, SetEnding)
        ending = remedy.ending
    return set_form(toml, folder, form.name, parts, ending=ending, replaces=form.replaces)


def _ideas(work: Workspace, _args: Mapping[str, Any], _version: str) -> Done:
    """Three forms worth trying, each time others."""

    def think(step: Step) -> None:
        song = work.song()
        step("looking for forms worth trying", 0, 0)
        seed = 1 + int(work.cache.get("ideas seed", 0))
        ideas = propose_ideas(song, read_audio(song.audio.path), IDEAS_AT_ONCE, seed, step=step)
        work.cache["ideas seed"] = seed
        work.cache["ideas"] = tuple(ideas)

    work.jobs.start("ideas", "looking for forms worth trying", think)
    return Done()


def _idea(work: Workspace, args: Mapping[str, Any]) -> Idea:
    ideas: tuple[Idea, ...] = work.cache.get("ideas", ())
    return named(ideas, text(args, "idea"), "idea")


def _take_idea(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    idea = _idea(work, args)
    work.change(f"“{idea.name}” taken in", version, set_form, idea.name, idea.texts, remark=idea.remark)
    work.cache["ideas"] = tuple(x for x in work.cache["ideas"] if x is not idea)
    return Done()


def _leave_idea(work: Workspace, args: Mapping[str, Any], _version: str) -> Done:
    idea = _idea(work, args)
    work.cache["ideas"] = tuple(x for x in work.cache["ideas"] if x is not idea)
    work.touch()
    return Done()


ACTIONS: Mapping[str, Action] = {
    "part_set": _edit(_set), "part_add": _edit(_add), "part_move": _edit(_move),
    "part_remove": _edit(_remove),
    "part_compose": _edit(_compose), "form_new": _new, "form_remove": _take_out, "form_rename": _rename,
    "form_ending": _ending, "mend": _mend, "ideas": _ideas, "take_idea": _take_idea,
    "leave_idea": _leave_idea,
}  # fmt: skip
