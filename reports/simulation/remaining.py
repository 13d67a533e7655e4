"""Expected number of further rounds, by simulation of studies like this one."""

from dataclasses import replace

from reports.model.gates import MAY_STOP
from reports.model.reading import SEED, prior_listens
from reports.simulation.campaign import first_round, run
from reports.simulation.outlook import DRAWS, Progress, RoundPlan
from reports.simulation.worlds import World, simulate
from reports.verdict import phrases
from reports.verdict.judge import Judgement

GOOD_CHANCE = 0.80
MOST_ROUNDS = 24
MOST_LISTENERS = 12  # of a panel whose way to go is simulated
STUDIES = 60


def to_go(
    judgement: Judgement, *, studies: int = STUDIES, seed: int = SEED, progress: Progress | None = None
) -> str | None:
    """What it probably takes until listening may stop, in one sentence, if the lead is what it looks like.

    Simulated with this panel's size, its prior listens, its pace and the noise of its ratings so far. None
    when listening may stop, with no ratings, or with more than MOST_LISTENERS listeners.
    """
    seen, panel = judgement.reading.seen, judgement.panel
    if judgement.state in MAY_STOP or not len(seen) or seen.listeners > MOST_LISTENERS:
        return None
    known = prior_listens(seen)[:, list(judgement.reading.candidates)]
    first, second = judgement.order[:2]
    lead = max(judgement.settled[first].mean - judgement.settled[second].mean, 0.5)
    forms = known.shape[1]
    world = World(listeners=seen.listeners, forms=forms, noise_sd=judgement.noise_sd, advantage=lead)
    last = max(MOST_ROUNDS, judgement.rounds)
    made = [
        simulate(replace(world, best=i % forms), last, seed, noise_seed=(seed, i), prior=known)
        for i in range(studies)
    ]
    pace, done = RoundPlan(judgement.rounds, judgement.days), iter(range(1, last + 1))
    campaign = run(
        made, panel.weights, last, pace.day_of, seed=seed, draws=DRAWS, equally_precise=True,
        step=lambda: progress(next(done), last) if progress else None,
        until_enough=True, ask_even=False,
    )  # fmt: skip
    first_enough = first_round(campaign.enough)
    needed = next(
        (r for r in range(1, last + 1) if ((first_enough > 0) & (first_enough <= r)).mean() >= GOOD_CHANCE),
        None,
    )
    held = f"If the lead stays as large as it looks now ({phrases.points(lead)})"
    if needed is None:
        return f"{held}, even {last} rounds will hardly make a form safe to choose; more listeners might."
    left = needed - judgement.rounds
    if left <= 0:
        return f"{held}, any of the next rounds may make a form safe to choose."
    return f"{held}, about {phrases.counted(left, 'more round')} will probably make a form safe to choose."
