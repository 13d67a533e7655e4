"""Private links: one per listener, made, shown with a QR code, withdrawn, renewed.

A link's token stands after the #, which browsers never send: it reaches no server log, no proxy and no
referrer. The page sends it as a bearer token (RFC 6750).
"""

from __future__ import annotations

import io
import ipaddress
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from urllib.parse import urlsplit

from sessions import links as kept
from sessions.links import Link
from sessions.study import Study


@dataclass(frozen=True)
class FreshLink:
    """A link's address, to be shown this once."""

    id: int
    listener: str
    address: str

    @property
    def leads_here_only(self) -> bool:
        """Whether no other device can open the address: it means whichever device reads it."""
        host = urlsplit(self.address).hostname or ""
        with suppress(ValueError):
            ip = ipaddress.ip_address(host)
            return ip.is_loopback or ip.is_unspecified
        return host == "localhost" or host.endswith(".localhost")  # RFC 6761 section 6.3

    def qr_lines(self) -> str:
        """The address as a QR code (ISO/IEC 18004) for a terminal, in half blocks."""
        import segno

        out = io.StringIO()
        segno.make(self.address, error="m", micro=False).terminal(out, compact=True, border=2)
        return out.getvalue()


def links(study: Study) -> list[Link]:
    """The links that work, by listener and age."""
    return sorted((x for x in kept.all_links(study.log) if x.ended_utc is None), key=lambda x: x.listener)


def renew(study: Study, names: Iterable[str], base: str) -> list[FreshLink]:
    """New links under the address `base` for these listeners; their older ones stop working.

    Raises:
        StudyError: song.toml has no such listener.
    """
    listeners = [study.listener(name).name for name in names]
    _make_known(study, listeners)
    _end_all(study, listeners)
    return [_new(study, name, base, "link renewed") for name in listeners]


def make(study: Study, name: str, base: str) -> FreshLink:
    """One more link for a listener of song.toml; the older ones go on working."""
    listener = study.listener(name).name
    _make_known(study, [listener])
    return _new(study, listener, base, "link made")


def _new(study: Study, name: str, base: str, event: str) -> FreshLink:
    link, token = kept.new_link(study.log, name)
    study.log.add_event(event, {"listener": name})
    return FreshLink(link.id, name, f"{base}/#{token}")


def withdraw(study: Study, names: Sequence[str]) -> int:
    """End all links of these listeners, at once; returns how many worked until now."""
    ended = _end_all(study, names)
    for name in sorted({link.listener for link in ended}):
        study.log.add_event("links withdrawn", {"listener": name})
    return len(ended)


def _end_all(study: Study, names: Sequence[str]) -> list[Link]:
    wanted = {name.casefold() for name in names}
    ended = [link for link in links(study) if link.listener.casefold() in wanted]
    kept.end_links(study.log, [link.id for link in ended])
    return ended


def end(study: Study, link: FreshLink) -> None:
    """End this one link; others of the same listener go on working."""
    kept.end_links(study.log, [link.id])


def _make_known(study: Study, names: Iterable[str]) -> None:
    for name in names:
        study.log.add_listener(name)
