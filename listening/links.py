"""Private links: one per listener, made, shown with a QR code, withdrawn, renewed.

A link's token stands after the #, which browsers never send: it reaches no server log, no proxy and no
referrer. The page sends it as a bearer token (RFC 6750).
"""

from __future__ import annotations

import io
import ipaddress
from collections.abc import Sequence
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


def make(study: Study, name: str, base: str, *, renew: bool = False) -> FreshLink:
    """A new link under the address `base` for a listener; older ones go on working, or end with `renew`.

    Raises:
        SongError: song.toml has no such listener.
    """
    listener = study.listener(name).name
    study.log.add_listener(listener)
    if renew:
        _end_all(study, [listener])
    link, token = kept.new_link(study.log, listener)
    study.log.add_event("link renewed" if renew else "link made", {"listener": listener})
    return FreshLink(link.id, listener, f"{base}/#{token}")


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
