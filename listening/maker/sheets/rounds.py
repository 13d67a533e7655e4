"""The sheet Rounds: render, let listeners in, packets, who has heard what; sealed."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from listening.kept_check import beat_trouble
from listening.links import links
from listening.maker.action import Action, Done, changed, flag, text
from listening.maker.hosting import Hosts
from listening.maker.workspace import Workspace
from listening.packet.collect import collect
from listening.packet.message import packet_message
from listening.packet.packet_file import PACKETS, PacketOut, out_text, packets_out, write_packet
from listening.page.state import sound_minutes
from listening.rendering import doubtful_text, loudness_words, render_study
from listening.status import BY_COMMAND, study_status
from render.edits.settings import set_keys
from render.errors import FairhearingError, PageError
from render.figures import counted, size_text
from render.renders.manifest import Manifest
from render.song.song import Song
from render.steps import Step, no_step
from sessions.study import Study

SAME_GAIN = "same gain"
ANSWERS = ".answers"  # answer files that were dropped and are not taken in yet


def hosts_of(work: Workspace) -> Hosts:
    """What this page serves to listeners."""
    return work.cache.setdefault("hosts", Hosts(work))  # type: ignore[no-any-return]


def stands(work: Workspace) -> str:
    """Whether the forms wait to be rendered."""
    if len(work.song().forms) < 2 or not work.song().listeners:
        return "not yet"
    return "in order" if renders_now(work.study())[0] is not None else "asks something"


def renders_now(study: Study) -> tuple[Manifest | None, str]:
    """The renders, where they are those of song.toml as it stands; else why they are not (here a button makes
    them, no command)."""
    try:
        return study.require_fresh_renders(), ""
    except FairhearingError as error:
        return None, str(error).partition("; run `fairhearing render`")[0]


def context(work: Workspace, _shown: Mapping[str, str]) -> dict[str, Any]:
    """What the template shows: progress and links, never a code, a rating or an order."""
    song, study = work.song(), work.study()
    manifest, why = renders_now(study)
    hosts, status = hosts_of(work), study_status(study)
    values: dict[str, Any] = {
        "song": song, "same_gain": song.matching == SAME_GAIN, "manifest": manifest,
        "rendering": work.jobs.last("render"), "status": status,
        "lines_of_status": [line.replace(BY_COMMAND, "") for line in status.lines[:-1]],
        "why": why, "hosted": hosts.now, "any_day": hosts.any_day,
        "hosting": work.jobs.last("host"), "packing": work.jobs.last("packet"),
        "answers_wait": answers_waiting(work.folder), "tried": work.cache.get("packet tried"),
        "collected": work.cache.get("collected", ()), "opening": work.cache.pop("own address", ""),
    }  # fmt: skip
    if manifest is not None:
        values["words"] = loudness_words(manifest.target_lufs, manifest.spread_lu)
        values["careful"] = careful(study, manifest)
        values["minutes"] = sound_minutes(manifest.forms) or 1
        rendered = work.jobs.last("render")
        values["lines"] = rendered.result if rendered is not None and rendered.state == "done" else ()
    out = {x.listener: x for x in packets_out(study)} if manifest is not None and study.has_log else {}
    values["out"] = out_text([*out.values()])
    values["rows"] = [_row(song, hosts, x.name, study, out.get(x.name)) for x in song.listeners]
    return values


def careful(study: Study, manifest: Manifest) -> list[str]:
    """What to know before anybody listens: a beat that does not fit, joins that sound doubtful."""
    lines = []
    if trouble := beat_trouble(study):
        lines.append(
            f"Careful: {trouble}. Bars may be cut in the wrong places; mend that on the first sheet before "
            "anybody listens."
        )
    if doubtful := doubtful_text(manifest):
        lines.append(f"{doubtful}: the sheet Forms says where and what to do.")
    return lines


def _row(song: Song, hosts: Hosts, name: str, study: Study, out: PacketOut | None) -> dict[str, Any]:
    """A listener's link and packet, and the message that goes with each."""
    fresh = hosts.fresh.get(name)
    given = [link for link in links(study) if link.listener == name] if study.has_log else []
    row: dict[str, Any] = {"name": name, "given": len(given), "address": "", "qr": "", "message": ""}
    row["out"] = out
    if out is not None:
        row["packet_size"] = size_text(out.path.stat().st_size)
        row["packet_message"] = packet_message(study, name, out.path)
    if fresh is not None and hosts.now is not None and fresh.address.startswith(hosts.now.base):
        row["address"] = fresh.address
        row["message"] = message(song, study, name, fresh.address)
        if not fresh.leads_here_only:
            import segno

            row["qr"] = segno.make(fresh.address, error="m", micro=False).svg_data_uri(scale=4)
    return row


def message(song: Song, study: Study, name: str, address: str) -> str:
    """A message to send with a link: how much there is to hear, and what a phone needs."""
    manifest, _why = renders_now(study)
    forms = len(manifest.forms) if manifest else len(song.forms)
    about = sound_minutes(manifest.forms) if manifest else None
    minutes = f", about {counted(about, 'minute')} of music" if about else ""
    return (
        f"Hello {name}, would you listen to “{song.title}” and say which way it should go? A round has "
        f"{forms} forms{minutes}, and the time to rate them; there are {song.rounds} rounds over {song.days} "
        "days. Use headphones or good speakers, begin softly, keep the screen on and the page in front while "
        "it plays. The link is yours alone; please talk about it with nobody until all have heard:\n"
        f"{address}"
    )


def answers_waiting(folder: Path) -> int:
    """How many answer files were dropped and not taken in, because the server ended in between."""
    where = folder / ANSWERS
    return sum(path.name[0] != "." for path in where.iterdir()) if where.is_dir() else 0


def packets(folder: Path) -> Mapping[str, Path]:
    """Packets that were written, by name."""
    return {path.name: path for path in sorted((folder / PACKETS).glob("*.html"))}


def _render(work: Workspace, _args: Mapping[str, Any], _version: str) -> Done:
    def render(step: Step) -> tuple[str, ...]:
        return render_study(work.study(), step).retired

    work.jobs.start("render", "rendering", render)
    return Done()


def _matching(work: Workspace, args: Mapping[str, Any], version: str) -> Done:
    same = flag(args, "same_gain")
    words = "one gain for all forms" if same else "every form as loud as the others"
    return changed(work, version, words, set_keys, "render", {"matching": SAME_GAIN if same else None})


def _host(work: Workspace, args: Mapping[str, Any], _version: str) -> Done:
    lan, small = flag(args, "lan"), flag(args, "small")
    hosts = hosts_of(work)
    work.jobs.start("host", "making what the page plays", lambda step: hosts.start(lan, small, step).base)
    return Done()


def _any_day(work: Workspace, args: Mapping[str, Any], _version: str) -> Done:
    hosts_of(work).let_any_day(flag(args, "any_day"))
    return Done()


def _stop_host(work: Workspace, _args: Mapping[str, Any], _version: str) -> Done:
    hosts_of(work).stop()
    work.jobs.forget("host")
    return Done("It is served no longer. Links that were given out work again when it is.")


def _link(work: Workspace, args: Mapping[str, Any], _version: str) -> Done:
    hosts_of(work).link(text(args, "listener"), renew=flag(args, "renew"))
    return Done()


def _hide(work: Workspace, args: Mapping[str, Any], _version: str) -> Done:
    hosts_of(work).fresh.pop(text(args, "listener"), None)
    return Done()


def _withdraw(work: Workspace, args: Mapping[str, Any], _version: str) -> Done:
    ended = hosts_of(work).withdraw(text(args, "listener"))
    return Done(f"{counted(ended, 'link')} withdrawn.")


def _own_round(work: Workspace, args: Mapping[str, Any], _version: str) -> Done:
    """The listening page for somebody at this machine, in a tab of its own."""
    name = text(args, "listener")
    hosts = hosts_of(work)
    if hosts.now is None:
        hosts.start(False, False, no_step)
    work.cache["own address"] = hosts.own_round(name)
    return Done()


def _packet(work: Workspace, args: Mapping[str, Any], _version: str) -> Done:
    name, small, any_day = text(args, "listener"), flag(args, "small"), flag(args, "any_day")
    work.cache["packet tried"] = {"listener": name, "small": small, "any_day": True}

    def pack(step: Step) -> str:
        step(f"writing a packet for {name}", 0, 0)
        return write_packet(work.study(), name, small=small, any_day=any_day).name

    work.jobs.start("packet", f"writing a packet for {name}", pack)
    return Done()


def _collect(work: Workspace, _args: Mapping[str, Any], _version: str) -> Done:
    """Take in the answer files that were dropped; each is said, and gone when it was taken or refused."""
    folder = work.folder / ANSWERS
    if not folder.is_dir():
        raise PageError(422, "order", "There is no answer file; drop one first.")
    lines: list[str] = []
    refused = ""
    for path in sorted(folder.iterdir()):
        if path.name[0] == ".":  # half of one, from a server that was killed
            path.unlink(missing_ok=True)
            continue
        try:
            lines += collect(work.study(), path).lines
        except FairhearingError as error:
            refused = str(error)
        finally:
            path.unlink(missing_ok=True)
    with suppress(OSError):
        folder.rmdir()
    work.cache["collected"] = tuple(lines)
    work.touch()
    if refused:
        raise PageError(422, "order", refused)
    return Done()


ACTIONS: Mapping[str, Action] = {
    "render": _render, "host": _host, "stop_host": _stop_host, "link": _link, "hide_link": _hide,
    "any_day": _any_day, "matching": _matching,
    "withdraw": _withdraw, "own_round": _own_round, "packet": _packet, "collect": _collect,
}  # fmt: skip
