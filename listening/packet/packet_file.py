"""A round as one HTML file for somebody far away: no network, codes only, no key to them inside."""

from __future__ import annotations

import base64
import hashlib
import re
import secrets
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib import resources
from pathlib import Path
from typing import Any

from markupsafe import Markup

from listening.counts import ADVICE, REASONS
from listening.packet.answers import make_ticket
from listening.page.copies import level_check_flac, travelling_bytes
from listening.page.html import PACKET_SCRIPTS, TEMPLATES, WORDS, style_css
from listening.page.masked import MaskedCopy
from listening.page.state import sound_minutes
from listening.round_state import may_stop_text, set_aside_text, state_among
from listening.rounds import enter_round
from listening.status import rendered_forms
from render.errors import AnswersError
from render.files import OWNERS_FOLDER, replacing
from render.renders.copies import flac_copies, opus_copies
from render.style.templates import environment
from sessions.records import MOST_BLEMISH_S
from sessions.study import Study

PACKETS = "packets"
CODES_A_FORM = 3  # a broken-off listen begins again under a fresh code
_CHUNK = 3 << 18  # bytes that become whole base64 groups


def write_packet(study: Study, listener: str, *, small: bool = False, any_day: bool = False) -> Path:
    """A packet with what the listener's open (or next) round still asks for; returns its path.

    Raises:
        ListenError: no round is due (`any_day` lifts the day). AnswersError: nothing is left to hear.
    """
    name = study.listener(listener).name
    round_ = enter_round(study, name, any_day=any_day)
    demands = round_.unrated
    if not demands:
        raise AnswersError(
            f"{name} has rated every form of round {round_.state.number}; let them close it on the page or "
            "with `fairhearing listen`, then make a packet for the next round"
        )
    codes = [
        [study.log.reserve_code(round_.record.id, demand.form_id) for _ in range(CODES_A_FORM)]
        for demand in demands
    ]
    ticket, signature = make_ticket(study, name, round_.record.number, codes)
    about = {
        "title": study.song.title, "listener": name, "round": round_.state.number, "rounds_done":
        round_.state.rounds_done, "rounds_planned": round_.state.rounds_planned, "codes": codes, "minutes":
        sound_minutes([demand.render for demand in demands]), "ticket": ticket, "signature": signature,
        "drawer": signature[:16], "reasons": REASONS, "advice": ADVICE, "blemish_s": MOST_BLEMISH_S, "text":
        f"{set_aside_text(round_.state, round_.contents)} {may_stop_text(round_.contents)}".strip(),
    }  # fmt: skip
    path = _path(study, name, round_.state.number)
    path.parent.mkdir(OWNERS_FOLDER, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="fairhearing-") as place:
        folder, renders = study.folder, round_.manifest
        copies = opus_copies(folder, renders, Path(place)) if small else flac_copies(folder, renders)
        forms = [
            MaskedCopy(copies.paths[d.render.content_hash], travelling_bytes(copies), secrets.randbits(32))
            for d in demands
        ]
        level = level_check_flac(folder, renders, copies.sample_rate)[0]
        about |= {"rate": copies.sample_rate, "keys": [form.key for form in forms]}
        with replacing(path) as half, half.open("w", encoding="utf-8", newline="\n") as out:
            out.writelines(_pieces(about, level, forms))
    return path


@dataclass(frozen=True)
class PacketOut:
    """A packet that was written for a round that is still open: its answers have not been taken in whole."""

    listener: str
    round: int
    path: Path
    written: datetime

    @property
    def since(self) -> str:
        return f"{self.written:%Y-%m-%d}"


def packets_out(study: Study) -> list[PacketOut]:
    """Packets that wait for their answers, in the listeners' order."""
    contents, current = study.log.contents(), rendered_forms(study)
    out = []
    for listener in study.outline.listeners:
        state = state_among(study, contents, listener.name, current)
        path = _path(study, listener.name, state.number)
        if state.open_round is not None and path.is_file():
            zone = study.clock().tzinfo or UTC
            written = datetime.fromtimestamp(path.stat().st_mtime, zone)
            out.append(PacketOut(listener.name, state.number, path, written))
    return out


def out_text(packets: Sequence[PacketOut]) -> str:
    """Who has a packet whose answers are not back: "ana (round 2, written on 2026-03-09)"."""
    return ", ".join(f"{x.listener} (round {x.round}, written on {x.since})" for x in packets)


def _path(study: Study, name: str, number: int) -> Path:
    return study.folder / PACKETS / f"{_file_name(name)}-round-{number}.html"


def _pieces(about: dict[str, Any], level: bytes, forms: Sequence[MaskedCopy]) -> Iterator[str]:
    """The packet's text in pieces: the sound is too much to hold as one. The level check comes first, then
    the forms in their order."""
    static = resources.files("listening.page") / "static"
    style = style_css()
    scripts = [(static / script).read_text(encoding="utf-8") for script in PACKET_SCRIPTS]
    policy = (
        f"default-src 'none'; script-src {' '.join(map(_csp_hash, scripts))}; style-src {_csp_hash(style)}; "
        "media-src blob:; "
        "base-uri 'none'; form-action 'none'; require-trusted-types-for 'script'; trusted-types 'none'"
    )
    html = environment(TEMPLATES).get_template("packet.html").render(
        WORDS, policy=policy, style=Markup(style), scripts=[Markup(script) for script in scripts],
        about=about,
    )  # fmt: skip
    before, after = html.split("<!-- sounds -->")
    yield before
    yield '<script type="application/octet-stream" id="sound-level">'
    yield base64.b64encode(level).decode("ascii")
    yield "</script>\n"
    for number, form in enumerate(forms):
        yield f'<script type="application/octet-stream" id="sound-{number}">'
        for start in range(0, form.size, _CHUNK):
            yield base64.b64encode(form.read(start, min(start + _CHUNK, form.size))).decode("ascii")
        yield "</script>\n"
    yield after


def _csp_hash(text: str) -> str:
    """A source expression for an inline element (Content Security Policy Level 3, section 2.3.1)."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode('ascii')}'"


def _file_name(listener: str) -> str:
    """The listener's name as every file system takes it."""
    return re.sub(r"[^\w-]+", "-", listener).strip("-")[:60] or "listener"
