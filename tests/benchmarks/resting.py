"""Rounds that shrink, simulated study by study: the decisions are those of `sessions.resting`."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from reports.model.familiarity import OWN, SLOW, Observations, Prior, fading
from reports.model.gates import (
    CLEAR,
    MAY_STOP,
    CautiousReadings,
    Chances,
    Coverage,
    Rules,
    known_before,
    rule,
)
from reports.model.precision import noise_ratios, unsteady
from reports.model.reading import later_half, prior_listens, read
from reports.simulation.worlds import Simulated, World, simulate
from sessions.resting import FormReading, PanelReading, forms_at_rest
from tests.benchmarks.simulated import FORM_MINUTES, LAST, day_of, share

DRAWS = 1000


def rested(world: World, count: int, seed: int) -> str:
    """One row of the table: without -> with rests."""
    played, bests = [], []
    for number in range(count):
        study = simulate(world, LAST, (seed, number))
        played.append([_play(study, world, rests, seed) for rests in (False, True)])
        bests.append(int(study.truth.argmax()))

    def minutes(of: Callable[["Played"], float]) -> str:
        values = np.array([[of(without), of(with_rests)] for without, with_rests in played])
        error = np.diff(values, axis=1).std() / np.sqrt(count)
        return f"{values[:, 0].mean():.0f} -> {values[:, 1].mean():.0f} (±{error:.1f})"

    def right(of: Callable[["Played"], int | None], rests: bool) -> str:
        named = [(of(pair[rests]), best) for pair, best in zip(played, bests, strict=True)]
        return share(sum(f == best for f, best in named), sum(f is not None for f, _ in named))

    put = sum(best in pair[1].ever for pair, best in zip(played, bests, strict=True))
    lost = sum(best in pair[1].resting for pair, best in zip(played, bests, strict=True))
    return " | ".join(
        [
            minutes(lambda one: one.clear_minutes),
            minutes(lambda one: one.safe_minutes),
            f"{put}, {lost} of {count}",
            " -> ".join(right(lambda one: one.clear, rests) for rests in (False, True)),
            " -> ".join(right(lambda one: one.safe, rests) for rests in (False, True)),
        ]
    )


@dataclass(frozen=True)
class Played:
    """One study until it was clear, or to the last round: minutes per listener, and the forms named (codes).

    `resting`: the forms at rest at the end; `ever`: those that rested at some time.
    """

    clear_minutes: float
    safe_minutes: float
    clear: int | None
    safe: int | None
    resting: frozenset[int]
    ever: frozenset[int]


def _play(study: Simulated, world: World, rests: bool, seed: int) -> Played:
    resting: tuple[str, ...] = ()
    ever: set[int] = set()
    named: dict[str, int | None] = {"safe": None, "clear": None}
    keep = np.zeros(len(study.seen), dtype=bool)
    minutes, safe_at = 0.0, None
    weights, rules = np.full(world.listeners, 1 / world.listeners), Rules()
    for done in range(1, LAST + 1):
        playing = [f for f in range(world.forms) if str(f) not in resting]
        minutes += FORM_MINUTES * len(playing)
        keep |= (study.round == done) & np.isin(study.seen.form, playing)
        if done < 4:
            continue
        at = np.flatnonzero(keep)
        seen = _as_heard(study.seen.only(at))
        seen = replace(seen, noise_ratio=noise_ratios(seen))
        counts = [
            np.bincount(seen.form[seen.listener == i], minlength=world.forms) for i in range(world.listeners)
        ]
        least = [int(c[playing].min()) for c in counts]
        heard = Coverage(
            [str(i) for i in range(world.listeners)],
            least,
            [day_of(done)] * world.listeners,
            done,
            known_before(prior_listens(seen).mean(0)[playing]),
            unsteady(seen),
        )
        draws = {
            "main": read(seen, weights, seed=seed, draws=DRAWS).draws,
            "slow": read(seen, weights, prior=SLOW, seed=seed, draws=DRAWS).draws,
            "own": read(seen, weights, prior=OWN, seed=seed, draws=DRAWS).draws,
        }
        later = seen.only(later_half(seen.listener, study.round[at]))
        among = {name: Chances.of(values[:, playing]) for name, values in draws.items()}
        cautious = CautiousReadings(
            lambda among=among: among["slow"],  # type: ignore[misc]
            lambda among=among: among["own"],  # type: ignore[misc]
            lambda later=later, playing=playing: Chances.of(  # type: ignore[misc]
                read(later, weights, prior=Prior(), seed=seed, draws=DRAWS).draws[:, playing]
            ),
            lambda form, seen=seen, playing=playing: Chances.of(  # type: ignore[misc]
                read(seen, weights, prior=fading(playing[form]), seed=seed, draws=DRAWS).draws[:, playing]
            ),
        )
        state = rule(among["main"], heard, rules, cautious).state
        leader = playing[among["main"].order[0]]
        if safe_at is None and state in MAY_STOP[:2]:
            safe_at, named["safe"] = minutes, leader
        if state == CLEAR:
            named["clear"] = leader
            break
        if rests:
            whole = Chances.of(draws["main"])
            leaders = {playing[chances.order[0]] for chances in among.values()}
            forms = {
                str(f): FormReading(
                    *_chances(among, playing, f), among_all=float(whole.best[f]), leads=f in leaders
                )
                for f in range(world.forms)
            }
            reading = PanelReading(state, state in MAY_STOP, heard.reached, forms)
            resting = forms_at_rest(resting, reading, world.listeners)
            ever |= {int(f) for f in resting}
    at_rest = frozenset(int(f) for f in resting)
    return Played(minutes, safe_at or minutes, named["clear"], named["safe"], at_rest, frozenset(ever))


def _as_heard(seen: Observations) -> Observations:
    """Places within the round, and what was heard just before, without the forms that rested."""
    order = np.lexsort((seen.position, seen.group))
    group, form = seen.group[order], seen.form[order]
    first = np.r_[True, group[1:] != group[:-1]]
    start = np.maximum.accumulate(np.where(first, np.arange(len(group)), 0))
    position, previous = np.empty_like(seen.position), np.empty_like(seen.previous)
    position[order] = np.arange(len(group)) - start
    previous[order] = np.where(first, -1, np.r_[-1, form[:-1]])
    return replace(seen, position=position, previous=previous)


def _chances(among: Mapping[str, Chances], playing: Sequence[int], form: int) -> tuple[float, float, float]:
    """Chances of a form in the three readings among the forms that play; 0 where it rests."""
    main, slow, own = (
        float(among[name].best[playing.index(form)]) if form in playing else 0.0
        for name in ("main", "slow", "own")
    )
    return main, slow, own
