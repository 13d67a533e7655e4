"""Rounds that shrink, simulated study by study: the decisions are those of `sessions.resting`."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from reports.model.familiarity import OWN, SLOW, Observations, Prior
from reports.model.gates import CLEAR, MAY_STOP, CautiousReadings, Chances, Coverage, Rules, rule
from reports.model.reading import later_half, read
from reports.simulation.worlds import Simulated, World, simulate
from sessions.resting import FormReading, PanelReading, forms_at_rest
from tests.benchmarks.simulated import FORM_MINUTES, LAST, day_of, share

DRAWS = 1000


def rested(world: World, count: int, seed: int) -> str:
    """One row of the table: without -> with rests."""
    clear, safe, lost, right, reached = [], [], 0, 0, 0
    for number in range(count):
        study = simulate(world, LAST, (seed, number))
        pairs = [_play(study, world, rests, seed) for rests in (False, True)]
        clear.append([minutes for minutes, *_ in pairs])
        safe.append([pair[1] for pair in pairs])
        best = int(study.truth.argmax())
        lost += best in pairs[1][2]
        if pairs[1][3] is not None:
            reached += 1
            right += pairs[1][3] == best
    told = [" -> ".join(f"{value:.0f}" for value in np.mean(each, axis=0)) for each in (clear, safe)]
    return f"{told[0]} | {told[1]} | {lost} of {count} | {share(right, reached)}"


def _play(
    study: Simulated, world: World, rests: bool, seed: int
) -> tuple[float, float, list[int], int | None]:
    """(minutes to clear, to safe, forms at rest at the end, form named when clear) per listener."""
    resting: tuple[str, ...] = ()
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
        counts = [
            np.bincount(seen.form[seen.listener == i], minlength=world.forms) for i in range(world.listeners)
        ]
        least = [int(c[playing].min()) for c in counts]
        heard = Coverage(
            [str(i) for i in range(world.listeners)], least, [day_of(done)] * world.listeners, done
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
        )
        state = rule(among["main"], heard, rules, cautious).state
        if safe_at is None and state in MAY_STOP[:2]:
            safe_at = minutes
        if state == CLEAR:
            named = playing[among["main"].order[0]]
            return minutes, safe_at or minutes, [int(f) for f in resting], named
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
    return minutes, safe_at or minutes, [int(f) for f in resting], None


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
