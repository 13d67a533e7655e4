"""The notes of the invented demo song: chords, melody and patterns for every bar of every section.

Nothing here knows seconds or audio. Times are beats from the first beat of the bar (negative: before it, in
the bar before, which is how a pickup is written); pitches are MIDI note numbers; levels are dB.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from itertools import cycle

STEMS = ("drums", "bass", "keys", "guitar", "voice")


@dataclass(frozen=True)
class Note:
    """One sound of one stem: when it begins and how long it is held (beats), how loud, where it sits."""

    stem: str
    sound: str
    beat: float
    pitch: float = 0.0
    beats: float = 0.0
    level_db: float = 0.0
    pan: float = 0.0
    text: str = ""


# Bass note, then the keys' voicing.
CHORDS: dict[str, tuple[int, ...]] = {
    "Bm7": (35, 57, 59, 62, 66), "Gmaj7": (31, 55, 59, 62, 66), "Em7": (40, 55, 59, 62, 64),
    "F#m7": (30, 57, 61, 64, 66), "G": (31, 55, 59, 62, 67), "A": (33, 57, 61, 64, 69),
    "Asus": (33, 57, 62, 64, 69), "D": (38, 57, 62, 66, 69), "Dadd9": (38, 57, 62, 64, 66),
    "A/C#": (37, 57, 61, 64, 69), "D/F#": (30, 57, 62, 66, 69), "Bbmaj7": (34, 57, 58, 62, 65),
    "Gm7": (31, 55, 58, 62, 65), "Dm9": (38, 57, 60, 64, 65), "C": (36, 55, 60, 64, 67),
    "Gm/D": (38, 55, 58, 62, 67), "Bm": (35, 59, 62, 66, 71),
}  # fmt: skip

_REFRAIN_CHORDS = ("D", "A/C#", "Em7", "G", "G", "D/F#", "Em7", "Asus A")
_VERSE_CHORDS = ("Bm7", "Gmaj7", "Em7", "F#m7") * 2 + ("G", "A", "Bm", "A")
# One chord a bar, or two, each for half of it.
HARMONY: dict[str, tuple[str, ...]] = {
    "intro": ("Bm7", "Gmaj7", "Bm7", "Gmaj7 Asus"),
    "verse 1": _VERSE_CHORDS,
    "refrain": _REFRAIN_CHORDS,
    "verse 2": _VERSE_CHORDS,
    "bridge": ("Bbmaj7", "Gm7", "Dm9", "C", "Bbmaj7", "Gm7", "Asus", "A"),
    "last refrain": (*_REFRAIN_CHORDS, "Bm", "F#m7", "G", "D/F#", "Em7", "F#m7", "G", "Asus A"),
    "outro": ("Dadd9", "Gm/D", "Dadd9", "Gm/D", "Dadd9", "D"),
}

_REFRAIN = (
    "-2 A3 .5; -1.5 D4 .5; -1 E4 .5; -.5 F#4 2.25; 2 E4 .5; 2.5 D4 1.25",
    "0 E4 1.5; 1.5 F#4 .5; 2 A4 1.75",
    "0 G4 1.5; 1.5 F#4 .5; 2 E4 1.5",
    ".5 D4 .5; 1 E4 .5; 1.5 D4 1",
    "-1 E4 .5; -.5 F#4 2.25; 2 G4 .5; 2.5 A4 1.25",
    "0 A4 1.5; 1.5 F#4 .5; 2 E4 1.75",
    "0 E4 1; 1 F#4 .5; 1.5 G4 2",
    "0 F#4 .5; .5 E4 1.5",
)
_CLIMB = (
    "0 B3 1.75; 2 D4 1.75",
    "0 C#4 1.75; 2 E4 1.75",
    "0 D4 1.75; 2 F#4 1.75",
    "0 E4 1",
)
# The lead voice, bar by bar: "beat pitch beats"; verses begin with one beat of pickup, refrains with two.
MELODY: dict[str, tuple[str, ...]] = {
    "intro": ("", "", "", ""),
    "verse 1": (
        "-1 F#3 .5; -.5 B3 2; 1.5 A3 .5; 2 F#3 1.5",
        ".5 F#3 .5; 1 A3 .5; 1.5 B3 1.25",
        "0 D4 1.5; 1.5 C#4 .5; 2 B3 1.5",
        ".5 B3 .5; 1 C#4 .5; 1.5 A3 1.25",
        "-1 F#3 .5; -.5 B3 2; 1.5 A3 .5; 2 F#3 1.5",
        ".5 F#3 .5; 1 B3 .5; 1.5 D4 1.25",
        "0 E4 1.5; 1.5 D4 .5; 2 B3 1.5",
        ".5 D4 .5; 1 C#4 .5; 1.5 A3 1.25",
        *_CLIMB,
    ),
    "refrain": _REFRAIN,
    "verse 2": (
        "-1 F#3 .5; -.5 B3 1.5; 1 B3 .5; 1.5 A3 .5; 2 B3 1.5",
        ".5 A3 .5; 1 B3 .5; 1.5 D4 1.25",
        "0 D4 .5; .5 D4 1; 1.5 C#4 .5; 2 B3 .5; 2.5 C#4 1",
        ".5 B3 .5; 1 C#4 .5; 1.5 E4 1.25",
        "-1 F#3 .5; -.5 B3 1.5; 1 B3 .5; 1.5 A3 .5; 2 B3 1.5",
        ".5 B3 .5; 1 D4 .5; 1.5 F#4 1.25",
        "0 E4 .5; .5 E4 1; 1.5 D4 .5; 2 B3 1.5",
        ".5 D4 .5; 1 C#4 .5; 1.5 A3 1.25",
        *_CLIMB,
    ),
    "bridge": (
        "0 D4 3",
        "0 Bb3 1.5; 1.5 C4 .5; 2 D4 1.75",
        "0 F4 3",
        "0 E4 1.5; 1.5 D4 .5; 2 C4 1.5",
        "0 D4 2; 2 F4 1.75",
        "0 G4 3",
        "0 E4 2.75",
        "",
    ),
    "last refrain": (
        *_REFRAIN[:7],
        "0 F#4 .5; .5 E4 1.5; 3 F#4 .5; 3.5 A4 .5",
        "0 B4 1.5; 1.5 A4 .5; 2 F#4 1.75",
        "0 A4 1.5; 1.5 F#4 .5; 2 E4 1.75",
        "0 G4 1; 1 A4 .5; 1.5 B4 2.25",
        "0 A4 2.5; 3 F#4 .5; 3.5 A4 .5",
        "0 B4 1.5; 1.5 A4 .5; 2 G4 1.75",
        "0 A4 1; 1 G4 .5; 1.5 F#4 2.25",
        "0 G4 1.5; 1.5 A4 .5; 2 B4 1.75",
        "0 A4 1.5; 1.5 G4 .5; 2 E4 1.75",
    ),
    "outro": ("0 D4 3", "", "-1 F#3 .5; -.5 B3 2; 1.5 A3 .5; 2 F#3 1.75", "", "0 A3 1; 1 D4 3", ""),
}
# Invented syllables, one a note, in turn; the refrains share theirs so that they are known again.
LYRICS: dict[str, str] = {
    "verse 1": "na wai lo me da lu so ra li o tei wa no hu sei mo",
    "verse 2": "ta nai ro we di mu sa lo ke a yei wo li nu ra hei",
    "refrain": "o la re wai ya no le ya wei o ra i yo li wa e na",
    "last refrain": "o la re wai ya no le ya wei o ra i yo li wa e na",
    "bridge": "a o u a wo yu a o u ya",
    "outro": "ai na wai lo mu na o",
}


def pitch_of(name: str) -> int:
    """The MIDI note number of a name such as F#4 or Bb3 (C4 = 60)."""
    steps = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
    return 12 * (int(name[-1]) + 1) + steps[name[0]] + name.count("#") - name.count("b")


def chord_at(section: str, index: int, beat: float) -> tuple[int, ...]:
    """Bass note and voicing sounding at `beat` of the section's bar `index` (from 0)."""
    names = HARMONY[section][index].split()
    return CHORDS[names[-1] if beat >= 2 else names[0]]


@cache
def _sung(section: str) -> tuple[tuple[tuple[float, int, float, str], ...], ...]:
    syllables = cycle(LYRICS.get(section, "a").split())
    bars = []
    for line in MELODY[section]:
        notes = [note.split() for note in line.split(";") if note.strip()]
        bars.append(
            tuple((float(at), pitch_of(name), float(long), next(syllables)) for at, name, long in notes)
        )
    return tuple(bars)


def bar_notes(section: str, index: int) -> Iterator[Note]:
    """Every note of bar `index` (from 0) of `section`, all five stems."""
    for player in (_drums, _bass, _keys, _guitar, _voice):
        for note in player(section, index):
            yield replace(note, level_db=note.level_db + _dynamics_db(section, index))


def _dynamics_db(section: str, index: int) -> float:
    """The song's own loud and soft: verses step back, and grow again in their last four bars."""
    if _is_climb(section, index):
        return (index - 11) * 0.6
    softer_db = {"intro": -1.5, "verse 1": -2.8, "verse 2": -2.0, "bridge": -1.5, "outro": -1.0}
    return softer_db.get(section, 0.0)


def _is_climb(section: str, index: int) -> bool:
    return section.startswith("verse") and index >= 8


def _steps(text: str) -> list[tuple[float, float]]:
    """(beat, level in dB) of a pattern such as "9..5": 9 is 0 dB, each figure less 3 dB softer, . rests."""
    return [(i * 0.25, 3.0 * (int(c) - 9)) for i, c in enumerate(text) if c != "."]


def _pattern(sound: str, text: str, level_db: float, pan: float = 0.0, pitch: float = 0.0) -> Iterator[Note]:
    for beat, softer_db in _steps(text):
        yield Note("drums", sound, beat, pitch=pitch, level_db=level_db + softer_db, pan=pan)


def _drums(section: str, index: int) -> Iterator[Note]:
    if section == "intro":
        if index >= 2:
            yield from _pattern("shaker", "7.5.8.5.7.5.8.5.", -4, 0.35)
            yield from _pattern("kick", "8...............", -6)
    elif _is_climb(section, index):
        yield from _climb_drums(index - 8, stronger=section == "verse 2")
    elif section.startswith("verse"):
        second = section == "verse 2"
        yield from _pattern("kick", "9.....6.8.7....." if second else "9.......8.7.....", -3)
        yield from _pattern("rim", "....9.......9..4" if index % 2 else "....9.......9...", -1, -0.15)
        yield from _pattern("hat", "7475848474758475" if second else "7.5.8.5.7.5.8.5.", -2, 0.3)
        if second:
            yield from _pattern("snare", "............7...", -6)
    elif section in ("refrain", "last refrain"):
        yield from _refrain_drums(section, index)
    elif section == "bridge":
        yield from _bridge_drums(index)
    elif section == "outro" and index < 4:
        yield from _pattern("kick", "9.........7.....", -5 - index)
        yield from _pattern("rim", "....8.......8...", -3 - index, -0.15)
        yield from _pattern("shaker", "7.5.8.5.7.5.8.5.", -4 - index, 0.35)
    elif section == "outro" and index == 5:
        yield from _pattern("kick", "9", -7)


def _climb_drums(index: int, stronger: bool) -> Iterator[Note]:
    louder_db = 1.5 * index + (1.5 if stronger else 0.0) - 6
    if index < 3:
        yield from _pattern("kick", "9...8...9...8...", louder_db + 2)
        yield from _pattern("shaker", "7555855575558555", louder_db + 3, 0.35)
        yield from _pattern("tom", "......6...7...6.", louder_db, -0.25, pitch=45)
        if index == 2:
            yield from _pattern("snare", "........4.5.5678", louder_db)
    else:  # half a bar, then only the voice: the breath before the refrain
        yield from _pattern("kick", "9...9...", louder_db + 2)
        yield from _pattern("snare", "56677889", louder_db)


def _refrain_drums(section: str, index: int) -> Iterator[Note]:
    last = section == "last refrain"
    if index in (0, 8):
        yield Note("drums", "crash", 0.0, level_db=-1, pan=-0.3)
    yield from _pattern("kick", "9.....8.9.8....." if index % 2 else "9.....8.9.......", 0)
    yield from _pattern("snare", "....9.......9...", 0, 0.05)
    if last and index >= 8:
        yield from _pattern("open hat", "8...8...8...8...", -1, 0.3)
        yield from _pattern("shaker", "7586758675867586", 1, -0.4)
        yield from _pattern("tom", "..............6.", -2, -0.35, pitch=43)
    else:
        yield from _pattern("open hat", "..7...7...7...7.", -2, 0.3)
        yield from _pattern("hat", "8.5.8.5.8.5.8.5.", 0, 0.3)
    if index % 8 == 7 and not (last and index == 15):
        yield from _pattern("tom", "........8.7.....", 0, 0.3, pitch=50)
        yield from _pattern("tom", "............8.7.", 0, -0.3, pitch=43)


def _bridge_drums(index: int) -> Iterator[Note]:
    if index < 4:
        yield from _pattern("tom", "7.......6.....5.", -4, -0.3, pitch=41)
        yield from _pattern("shaker", "....6.......6...", -4, 0.35)
    elif index < 7:
        yield from _pattern("tom", "7.5.6.5.7.5.6.56", 2.0 * index - 12, -0.3, pitch=41)
        yield from _pattern("tom", "..5...5...5.5.5.", 2.0 * index - 12, 0.3, pitch=48)
        yield from _pattern("shaker", "7555855575558555", 2.0 * index - 12, 0.35)


def _bass(section: str, index: int) -> Iterator[Note]:
    def note(beat: float, long: float, level_db: float, up: int = 0) -> Note:
        return Note("bass", "bass", beat, chord_at(section, index, beat)[0] + up, long, level_db)

    if section == "intro":
        if index >= 2:
            yield note(0, 2, -6)
            yield note(2, 1.75, -7)
    elif _is_climb(section, index):
        count = 4 if index == 11 else 8
        for step in range(count):
            yield note(step / 2, 0.4, -7.5 + (index - 8) * 1.2 + 0.15 * step)
    elif section == "verse 1":
        yield note(0, 1.5, -4)
        yield note(2, 0.9, -5)
        yield note(3, 0.75, -7, up=7 if index % 2 else 12)
    elif section == "verse 2":
        for beat, long, level_db, up in ((0, 0.9, -3, 0), (1.5, 0.4, -6, 12), (2, 0.9, -4, 0)):
            yield note(beat, long, level_db, up)
        yield note(3, 0.4, -6, up=7)
        yield note(3.5, 0.4, -6, up=12)
    elif section in ("refrain", "last refrain"):
        octaves = section == "last refrain" and index >= 8
        for step in range(8):
            yield note(step / 2, 0.45, -1.5 - 1.5 * (step % 2), up=12 if octaves and step in (3, 7) else 0)
    elif section == "bridge":
        if index < 7:
            yield note(0, 3.6, -4)
    elif index < 4:
        yield note(0, 3.5, -5 - index)
    elif index == 4:
        yield note(0, 3.9, -8)
    else:
        yield note(0, 6.0, -8)


def _keys(section: str, index: int) -> Iterator[Note]:
    def piano(beat: float, long: float, level_db: float) -> Iterator[Note]:
        voicing = chord_at(section, index, beat)[1:]
        for i, pitch in enumerate(voicing):
            yield Note("keys", "piano", beat, pitch, long, level_db, pan=-0.3 + 0.15 * i)

    def pad(beat: float, long: float, level_db: float, up: int = 0) -> Iterator[Note]:
        for i, pitch in enumerate(chord_at(section, index, beat)[1:]):
            yield Note("keys", "pad", beat, pitch + up, long, level_db, pan=(-0.6, 0.5, -0.4, 0.6)[i])

    if section == "intro":
        yield from piano(0, 2 if index == 3 else 3.75, -3)
        yield from piano(2, 1.75, -5)
    elif _is_climb(section, index):
        half = index == 11
        yield from pad(0, 1.9 if half else 3.9, -9 + 1.5 * (index - 8))
        for beat in (0.0, 1.0) if half else (0.0, 1.0, 2.0, 3.0):
            yield from piano(beat, 0.75, -6 + (index - 8))
    elif section.startswith("verse"):
        yield from piano(0, 1.4, -4)
        yield from piano(2.5 if index % 2 else 1.5, 1.25, -6)
        if section == "verse 2" and index % 2:
            yield from piano(3.5, 0.4, -8)
    elif section in ("refrain", "last refrain"):
        high = section == "last refrain" and index >= 8
        yield from pad(0, 1.95, -3 + high)
        yield from pad(2, 1.95, -3 + high)
        if high:
            yield from pad(0, 3.9, -9, up=12)
        for beat in (0, 1.5, 2, 3) if high else (0, 1.5, 3):
            yield from piano(beat, 0.9, -3)
    elif section == "bridge":
        if index < 7:
            yield from pad(0, 3.95, -4 + 0.5 * index)
            yield from pad(0, 3.95, -12 + 1.2 * index, up=12)
    else:
        yield from pad(0, 6.0 if index == 5 else 3.95, -9 - index)
        yield from piano(0, 7.0 if index == 5 else 3.75, -3 - 0.5 * index)


def _guitar(section: str, index: int) -> Iterator[Note]:
    if section in ("refrain", "last refrain"):
        yield from _strummed(section, index)
    elif section == "bridge" or (section == "intro" and index == 0):
        return
    elif _is_climb(section, index):
        for step in range(4 if index == 11 else 8):
            voicing = chord_at(section, index, step / 2)[1:]
            level_db, text = -6 + 1.3 * (index - 8), "mute" if step % 2 else ""
            for pitch, pan in ((voicing[0], -0.45), (voicing[-1], 0.45)):
                yield Note("guitar", "pluck", step / 2, pitch - 12, 0.4, level_db, pan, text)
    elif section == "outro" and index >= 4:
        for i, pitch in enumerate(chord_at(section, index, 0)[1:]):
            yield Note("guitar", "pluck", 0.25 * i, pitch, 8.0 if index == 5 else 3.5, -4, -0.3 + 0.2 * i)
    else:
        order = (0, 2, 1, 3, 2, 1, 3, 2) if section == "verse 2" else (0, 1, 2, 3, 2, 1, 2, 1)
        for step, string in enumerate(order):
            pitch = (chord_at(section, index, step / 2)[1:])[string]
            level_db = -3.0 if step % 4 == 0 else -5.5
            yield Note("guitar", "pluck", step / 2, pitch, 1.2, level_db, -0.4 + 0.1 * string)
        if section == "verse 2":
            for beat in (0.75, 1.75, 2.75, 3.75):
                pitch = chord_at(section, index, beat)[-1]
                yield Note("guitar", "pluck", beat, pitch, 0.2, -6, 0.55, "mute")


def _strummed(section: str, index: int) -> Iterator[Note]:
    """Two guitars, left and right, the right one an octave of colour higher; strings a 64th apart."""
    last = section == "last refrain" and index >= 8
    strokes = "9..57.5.8.7.5.7." if not last else "9.575.758.575.75"
    for beat, softer_db in _steps(strokes):
        _, *voicing = chord_at(section, index, beat)
        for i, pitch in enumerate(voicing):
            later = beat + i / 64
            yield Note("guitar", "pluck", later, pitch - 12 * (i == 0), 0.8, -5.5 + softer_db, -0.75)
            yield Note("guitar", "pluck", later + 1 / 128, pitch, 0.8, -5.5 + softer_db, 0.75)
    if last:  # a little counter-melody above
        for beat, string in ((0.5, 3), (1.0, 2), (1.5, 3), (2.5, 3), (3.0, 1), (3.5, 2)):
            pitch = chord_at(section, index, beat)[1:][string] + 12
            yield Note("guitar", "pluck", beat, pitch, 0.6, -4, 0.2)


def _voice(section: str, index: int) -> Iterator[Note]:
    softer_db = {"bridge": -2.5, "outro": -4.0, "refrain": -1.0, "last refrain": -0.5}.get(section, -2.0)
    if section == "intro" and index == 0:
        yield Note("voice", "breath", -1.75, beats=2.0, level_db=-6)
    for beat, pitch, long, syllable in _sung(section)[index]:
        yield Note("voice", "voice", beat, pitch, long, softer_db, 0.0, syllable)
        if section in ("refrain", "last refrain") and beat >= 0:
            for cents, pan in ((-7, -0.7), (8, 0.7)):
                yield Note("voice", "voice", beat, pitch + cents / 100, long, softer_db - 9, pan, syllable)
        if section == "last refrain" and beat >= 0:
            third = _below(pitch, chord_at(section, index, beat)[1:])
            yield Note("voice", "voice", beat, third, long, softer_db - 5.5, -0.35, syllable)


def _below(pitch: int, voicing: tuple[int, ...]) -> int:
    """The nearest chord tone at least a minor third under `pitch`: a second voice in harmony."""
    chord = {tone % 12 for tone in voicing}
    return next(tone for tone in range(pitch - 3, 0, -1) if tone % 12 in chord)
