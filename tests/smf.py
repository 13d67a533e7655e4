"""Standard MIDI Files for tests: maps by hand, and examples that the specification prints."""

from __future__ import annotations

import io
import struct
from collections.abc import Sequence

import mido

# Standard MIDI Files 1.0 (RP-001, MIDI Manufacturers Association), "Program fragments and example MIDI
# files": variable-length quantities, number -> bytes (from memory of the printed table)
VARIABLE_LENGTH = {
    0x00000000: "00", 0x00000040: "40", 0x0000007F: "7F", 0x00000080: "81 00", 0x00002000: "C0 00",
    0x00003FFF: "FF 7F", 0x00004000: "81 80 00", 0x00100000: "C0 80 00", 0x001FFFFF: "FF FF 7F",
    0x00200000: "81 80 80 00", 0x08000000: "C0 80 80 00", 0x0FFFFFFF: "FF FF FF 7F",
}  # fmt: skip
# the same section's example, 4/4 at 120 quarters a minute, division 96, once as format 0, once as format 1
# (from memory; the lengths that it prints, 0x3B, 0x14, 0x10, 0x0F and 0x15, agree with the bytes)
FORMAT_0 = bytes.fromhex(
    "4D546864 00000006 0000 0001 0060 4D54726B 0000003B"
    "00FF580404021808 00FF510307A120 00C005 00C12E 00C246 00923060 003C60 60914340 60904C20"
    "8140823040 003C40 00914340 00904C40 00FF2F00"
)
FORMAT_1 = bytes.fromhex(
    "4D546864 00000006 0001 0004 0060"
    "4D54726B 00000014 00FF580404021808 00FF510307A120 8300FF2F00"
    "4D54726B 00000010 00C005 8140904C20 81404C00 00FF2F00"
    "4D54726B 0000000F 00C12E 60914340 82204300 00FF2F00"
    "4D54726B 00000015 00C246 00923060 003C60 83003000 003C00 00FF2F00"
)


def smf(*tracks: bytes, kind: int = 1, division: int = 480) -> bytes:
    """A file of tracks (their events, the end included)."""
    head = struct.pack(">4sIHHh", b"MThd", 6, kind, len(tracks), division)
    return head + b"".join(struct.pack(">4sI", b"MTrk", len(track)) + track for track in tracks)


def map_bytes(events: Sequence[tuple[int, mido.MetaMessage]], division: int = 480, end: int = 0) -> bytes:
    """A file of one track: events with their ticks from the beginning, up to tick `end`."""
    track = mido.MidiTrack()
    now = 0
    for tick, message in sorted(events, key=lambda event: event[0]):
        track.append(message.copy(time=tick - now))
        now = tick
    track.append(mido.MetaMessage("end_of_track", time=max(end - now, 0)))
    file = mido.MidiFile(type=1, ticks_per_beat=division)
    file.tracks.append(track)
    out = io.BytesIO()
    file.save(file=out)
    return out.getvalue()


def tempo(bpm: float) -> mido.MetaMessage:
    return mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(bpm))


def meter(beats: int, unit: int) -> mido.MetaMessage:
    return mido.MetaMessage("time_signature", numerator=beats, denominator=unit)


def marker(text: str) -> mido.MetaMessage:
    return mido.MetaMessage("marker", text=text.encode().decode("latin-1"))
