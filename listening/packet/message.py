"""The message that goes with a packet: how to open it, on a phone too, and how the answer comes back."""

from __future__ import annotations

from pathlib import Path

from listening.page.state import sound_minutes
from listening.rounds import Round
from render.files import replacing
from sessions.study import Study

# What phones do with an HTML file that they were sent: common practice, no source.
_TEXT = """\
Hello {listener}, here is round {number} of "{title}": {forms}{minutes}, to be heard in one go or in several.

Save {file} and open it in a browser, best on a computer with headphones or speakers you know. On an
Android phone, save it first, then open it from the Files app with your browser: the preview of a mail does
not play. An iPhone or iPad only shows a preview of it, which plays nothing: use a computer, or ask me for a
link instead.

The page sets your level, plays each form whole and asks what you think of it. Start low: loud listening
harms hearing. You can stop after any form and go on later, in the same browser on the same device.

At the end press "Save the answer file" (or "Send the answer file", where your device has that) and send me
that file, answers-...json, as an attachment.
"""


def packet_message(study: Study, listener: str, path: Path) -> str:
    """The text to send along with the packet at `path`, which is the listener's open round."""
    round_ = Round(study, listener)
    left = round_.unrated
    minutes = sound_minutes([demand.render for demand in left])
    return _TEXT.format(
        listener=listener,
        number=round_.state.number,
        title=study.song.title,
        forms="one form" if len(left) == 1 else f"{len(left)} forms of the song",
        minutes=f", about {minutes} minute{'s' * (minutes > 1)} of sound in all" if minutes else "",
        file=path.name,
    )


def write_message(study: Study, listener: str, packet: Path) -> Path:
    """Write the message beside its packet, as a text file of the same name; returns its path."""
    path = packet.with_suffix(".txt")
    with replacing(path) as half:
        half.write_text(packet_message(study, listener, packet), encoding="utf-8", newline="\n")
    return path
