"""How a song's attacks lie against its grid, as values and in words for a person."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

NEAR_BEAT = 0.3  # of a beat: further off, another beat was meant
BY_EAR = "`check --click` lets you hear it"


@dataclass(frozen=True)
class StartReading:
    """A place where bar 1 may begin: `start_s` seconds into the audio, and why."""

    start_s: float
    reason: str


@dataclass(frozen=True)
class BeatFit:
    """How the attacks lie against the grid.

    `has_beat`: they show one at all; `on_grid`: share of attack strength within 25 ms of the grid's half
    beats, and `by_chance`, what scattered attacks would have. `within_ms`: how far 95 % of the bars stray
    from the grid (a constant offset left out), None where there is no beat to tell it by. `offset_ms`: how
    late the attacks are against the grid where it starts. `better_*` are None where nothing fits clearly
    better: a tempo (quarters a minute), a start (seconds), a first beat of the bars (beats after the grid's).
    `rival_start_s`: where bar 1 would begin if the beat were half a beat beside, which cannot be told.
    `first_beat_clear`: harmony and low sounds say that the grid's first beat of the bar is it.
    `beside_the_beat`: the grid lies between the beats, and which beat was meant is not clear.
    `sections_agreeing` of `sections_asked` section starts are clearer with the better start. `counted` is a
    half or double tempo that the song is likelier counted in. `wrong_from_bar`: the first bar whose lines are
    more than 35 ms off for good. `drifts`: no constant tempo (or, in a song with changes or beats of its own,
    not these) fits. `odd_bars`: bars of another length that the grid does not have.
    """

    tempo: float
    start_s: float
    beat_s: float
    beats_in_bar: int
    has_beat: bool
    on_grid: float
    by_chance: float
    within_ms: float | None = None
    offset_ms: float = 0.0
    better_tempo: float | None = None
    better_start_s: float | None = None
    better_downbeat_beats: int | None = None
    rival_start_s: float | None = None
    first_beat_clear: bool = False
    beside_the_beat: bool = False
    sections_agreeing: int = 0
    sections_asked: int = 0
    counted: float | None = None
    drifts: bool = False
    wrong_from_bar: int | None = None
    odd_bars: str | None = None
    followed: bool = False  # the grid has changes of tempo, or beats, of its own

    @property
    def fits(self) -> bool:
        """Nothing to mend (there may be doubts)."""
        return self.has_beat and not self.drifts and self.lines_fit and self.odd_bars is None

    @property
    def lines_fit(self) -> bool:
        """Tempo and start seem right, as far as can be told."""
        wrong = (self.better_tempo, self.better_start_s, self.better_downbeat_beats)
        return wrong == (None,) * 3 and not self.beside_the_beat

    @property
    def headline(self) -> str:
        """How it is, in a few words."""
        if not self.has_beat or self.within_ms is None:
            return "no steady beat can be heard"
        if self.better_tempo is not None and self.wrong_from_bar is None:
            return f"fits {self.better_tempo:g} better than {self.tempo:g}"
        if self.wrong_from_bar is not None:
            return f"runs away after bar {max(self.wrong_from_bar - 1, 1)}"
        if not self.lines_fit:
            return (
                f"lies {abs(self.offset_ms):.0f} ms beside the beat" if self.offset_ms else "begins elsewhere"
            )
        return f"fits within {max(self.within_ms, 1):.0f} ms from the top to the end"

    @property
    def starts(self) -> tuple[StartReading, ...]:
        """The places that compete for bar 1; empty where none does."""
        as_given = StartReading(self.start_s, "as song.toml has it")
        if self.better_start_s is not None:
            return (
                StartReading(self.better_start_s, "where the bars seem to begin"),
                as_given,
            )
        if self.rival_start_s is not None:
            return (as_given, StartReading(self.rival_start_s, "half a beat beside: the attacks allow both"))
        return ()

    @property
    def doubts(self) -> tuple[str, ...]:
        """What a person should hear or mend, the most important first."""
        return tuple(self.lines()) if not self.fits else tuple(self.rival_lines())

    def as_json(self) -> dict[str, Any]:
        return asdict(self) | {"headline": self.headline, "starts": [asdict(start) for start in self.starts]}

    def rival_lines(self) -> list[str]:
        """The doubt whether the beat lies where the grid has it or half a beat beside."""
        if self.rival_start_s is None:
            return []
        return [
            f"whether the beat falls where start = {round(self.start_s, 6)} has it or half a beat beside "
            f"(start = {self.rival_start_s:g}) the attacks leave open: {BY_EAR}; joins are judged as it is"
        ]

    def start_lines(self) -> list[str]:
        """What there is to say about where bar 1 begins."""
        given = f"start = {round(self.start_s, 6)}"
        if self.better_start_s is not None:
            moved_s = self.better_start_s - self.start_s
            way = "later" if moved_s > 0 else "earlier"
            if abs(moved_s) <= NEAR_BEAT * self.beat_s:
                return [
                    f"the attacks are {abs(self.offset_ms):.0f} ms {way} "
                    f"than the grid: start = {self.better_start_s:g} would fit better"
                ]
            who = "most sections" if self.sections_agreeing > self.sections_asked / 2 else "the bars"
            return [
                f"{who} seem to begin {_beats(moved_s / self.beat_s)} {way} than {given} says; "
                f"if bar 1 falls at {self.better_start_s:.3f} s, write start = {self.better_start_s:g} "
                f"({BY_EAR})"
            ]
        if self.better_downbeat_beats is not None:
            later = self.better_downbeat_beats
            earlier = self.beats_in_bar - later
            return [
                f"the bars seem to begin {_beats(later)} later than {given} says, or "
                f"{_beats(earlier)} earlier: harmony and low notes change there; listen where bar 1 begins"
            ]
        if self.beside_the_beat:
            return [
                f"the song's beats lie {abs(self.offset_ms):.0f} ms beside the grid's, between them; which "
                "of them begins bar 1 is not clear: find it by ear, and write it as start"
            ]
        return self.rival_lines()

    def lines(self) -> list[str]:
        """What to tell a person, the most important first."""
        if not self.has_beat:
            return [
                "the attacks show no steady beat (free time, or no clear attacks): whether tempo and start "
                "are right cannot be heard from them, and if the song is played freely, a constant tempo "
                "will cut wrongly; check a few bar lines by ear before you trust a join"
            ]
        lines = self.tempo_lines() + self.start_lines()
        lines += [self.odd_bars] if self.odd_bars is not None else []
        lines.insert(0 if self.fits else len(lines), self.share_line())
        if self.counted is not None:
            lines.append(
                f"the beat may as well be counted at {self.counted:g} as at {self.tempo:g}: bars would be "
                f"{'half' if self.counted > self.tempo else 'twice'} as long"
            )
        return lines

    def tempo_lines(self) -> list[str]:
        """What is wrong with the tempo."""
        lines = []
        since = f" from bar {self.wrong_from_bar} on" if self.wrong_from_bar else ""
        if self.drifts and self.followed:
            lines.append(
                f"the performance leaves the grid of song.toml (by up to {self.within_ms:.0f} ms); cuts are "
                f"wrong{since}: correct the beats or changes there"
            )
        elif self.drifts:
            lines.append(
                f"the performance does not keep one tempo (it strays by up to {self.within_ms:.0f} ms): a "
                f"constant tempo will cut wrongly{since}; let `new --live` follow its beat"
            )
        if self.better_tempo is not None:
            amount = self.better_tempo - self.tempo
            wrong = f"; as it is, cuts are wrong{since}" if since else ""
            lines.append(
                f"tempo {self.better_tempo:g} ({amount:+.3g}) would fit clearly better than {self.tempo:g}"
                f"{wrong}. Mend it first: bars and times change with it"
            )
        return lines

    def share_line(self) -> str:
        """How many attacks lie on the grid; where all fits, also what attacks cannot tell."""
        chance = f"(chance: {self.by_chance:.0%})"
        share = f"{self.on_grid:.0%} of the attacks lie within 25 ms of a half beat {chance}"
        if not self.fits:
            return share
        if self.first_beat_clear:
            first = "harmony and low notes agree with its first beats; which bar is bar 1, you know"
        else:
            first = f"which beat is the first of a bar they do not tell: {BY_EAR}"
        within = f"within {max(self.within_ms or 0, 1):.0f} ms from the top to the end"
        return f"the tempo fits {within}: {share}; {first}"


def _beats(beats: float) -> str:
    halves = round(2 * abs(beats))
    if halves <= 1:
        return "half a beat"
    return "1 beat" if halves == 2 else f"{halves / 2:g} beats"
