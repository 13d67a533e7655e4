"""Plain-language sentences for states, chances and losses."""

from collections.abc import Sequence
from dataclasses import dataclass

from reports.model.gates import CLEAR, CLOSE_POINTS, EVEN, LEANING, LISTEN, SAFE, Rules, State

_NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")

ALMOST_CERTAIN = 0.97  # our own word for such a chance of being the best

NOTHING = "Keep listening: nothing has been rated yet."

SEALED: dict[State, str] = {
    CLEAR: "Clear: one form wins, and listening may stop; its name stays sealed until the study is opened.",
    SAFE: "Safe to choose: listening may stop; choosing the form in front gives away nothing that matters. "
    "Its name stays sealed until the study is opened.",
    LEANING: "Leaning: one form is ahead, but not for certain yet; names stay sealed.",
    EVEN: "Even: the two forms at the top are about equally good, and listening may stop; names stay sealed.",
    LISTEN: "Keep listening: nothing is settled yet; names stay sealed.",
}


def number(count: int) -> str:
    """Small numbers as words."""
    return _NUMBERS[count] if 0 <= count < len(_NUMBERS) else str(count)


def counted(count: int, noun: str) -> str:
    """ "one round", "3 rounds"."""
    return f"{number(count)} {noun}{'' if count == 1 else 's'}"


def quoted(names: Sequence[str]) -> str:
    """ "a", "b" and "c", in quotation marks."""
    marked = [f'"{name}"' for name in names]
    return marked[0] if len(marked) == 1 else ", ".join(marked[:-1]) + " and " + marked[-1]


def listed(items: Sequence[str]) -> str:
    """a, b and c, without marks."""
    return items[0] if len(items) == 1 else ", ".join(items[:-1]) + " and " + items[-1]


def few(names: Sequence[str]) -> str:
    """The names, or how many there are where they are more than six."""
    return listed(names) if len(names) <= 6 else f"{len(names)} listeners"


def heard_on(system: str) -> str:
    """ "in a car", "on headphones": what something was heard on, as people say it."""
    return {"car": "in a car", "phone": "on a phone", "": "on an unnamed device"}.get(system, f"on {system}")


def points(value: float) -> str:
    """Rating points, as exactly as they deserve."""
    if value < 0.95:
        return "less than one point"
    shown = f"{value:.0f}" if value >= 3 else f"{value:.1f}"
    return f"{shown} point{'' if shown in ('1', '1.0') else 's'}"


def at_most(value: float) -> str:
    """A bound in rating points."""
    stated = points(value)
    return stated if stated.startswith("less") else f"at most {stated}"


def chance(p: float) -> str:
    """A chance as a percentage that never claims certainty."""
    if p >= 0.995:
        return "more than 99 %"
    return "less than 1 %" if p < 0.005 else f"{100 * p:.0f} %"


@dataclass(frozen=True)
class Risks:
    """Stated losses in points: of the safe choice; and what a free choice between `even` hardly exceeds."""

    safe: float
    even: tuple[str, str] | None = None
    free_choice: float | None = None


def sentence(
    state: State,
    order: Sequence[str],
    best: dict[str, float],
    loss: dict[str, float],
    risks: Risks,
    rules: Rules,
) -> str:
    """The verdict in one sentence. `order` is best first; `best` and `loss` are by form."""
    first, second = order[0], order[1]
    rest = f"of the {number(len(order))}" if len(order) > 2 else "of the two"
    if state == CLEAR:
        sure = "almost certainly" if best[first] >= ALMOST_CERTAIN else "very probably"
        ahead = loss[second] - loss[first]  # the difference of their expected settled ratings
        return (
            f'Choose "{first}". Even allowing for habit, these listeners {sure} want it most: '
            f'{ahead:.{0 if ahead >= 3 else 1}f} of 100 points ahead of "{second}".'
        )
    if state == SAFE:
        level = (
            f' It is even with "{risks.even[1] if risks.even[0] == first else risks.even[0]}": '
            "choose freely between the two."
            if risks.even
            else ""
        )
        return (
            f'"{first}" is safe to choose: whichever form may be ahead in the end, choosing this one gives '
            f"away {at_most(risks.safe)} of 100 on average, and listening may stop.{level}"
        )
    if state == EVEN and risks.even:
        return (
            f"{quoted(risks.even)} come out even, within {CLOSE_POINTS:g} points of each other: whichever of "
            f"the two you choose, it hardly ever gives away more than {points(risks.free_choice or 0.0)} of "
            "100, so choose freely."
        )
    if state == LEANING:
        return (
            f'It is leaning towards "{first}" (a chance of {chance(best[first])} that it is the best '
            f"{rest}), but that is not certain yet: choosing it now risks {points(loss[first])} on average, "
            f'"{second}" {points(loss[second])}.'
        )
    if best[first] >= rules.leaning_chance:
        return (
            f'Keep listening: "{first}" is ahead (a chance of {chance(best[first])} that it is the best '
            f"{rest}), but it is too early to rely on that: hear every form {number(rules.leaning_listens)} "
            "times or more."
        )
    return (
        f'Keep listening: no form stands out yet; "{first}" is ahead, but the chance that it is the best '
        f"{rest} is only {chance(best[first])}."
    )


def risk(order: Sequence[str], best: dict[str, float], loss: dict[str, float]) -> str:
    """What choosing the best-placed form now would risk, whatever the state: somebody has to decide."""
    first = order[0]
    return (
        f'If you had to choose today: "{first}". It is the best with a chance of {chance(best[first])}; '
        f"choosing it risks {points(loss[first])} on average."
    )


def otherwise(changes: Sequence[tuple[str, str]]) -> str:
    """Which other ways of judging, (way, form), would name another form: three of them, and how many more."""
    most = 3
    ways = [f'{way}, "{form}" would come first' for way, form in changes[:most]]
    left = len(changes) - most
    more = f" (and {counted(left, 'other way')} of judging would change the order too)" if left > 0 else ""
    return f"But it depends on how one judges: {'; '.join(ways)}{more}."
