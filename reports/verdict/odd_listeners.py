"""Outlying listeners: ratings that do not repeat, or a preference for the form they knew before."""

from collections.abc import Sequence
from statistics import NormalDist

import numpy as np

from reports.model.gates import KNOWN_LISTENS
from reports.model.precision import repeat_variance
from reports.verdict import phrases
from reports.verdict.assessment import Assessment
from reports.verdict.listeners import ListenerEffects
from reports.verdict.panel import prior_listens
from reports.verdict.sensitivity import AlternativeReading

UNREPEATED = 2.0  # noise variance, in multiples of the others', from which a listener is named
LOYAL_POINTS = 5.0  # settled points by which a listener prefers the known form more than the others do
LOYAL_CHANCE = 0.95
ALIKE_POINTS = 4.0  # RMS difference about the other forms, up to which a listener agrees with the panel


def odd_listeners(assessment: Assessment, changes: Sequence[AlternativeReading]) -> list[str]:
    """One note for each listener who stands out, with the verdict without them; nobody is left out."""
    if len(assessment.panel.listeners) < 2:
        return []
    notes = {}
    ratio = assessment.reading.seen.noise_ratio
    spread = np.sqrt(repeat_variance(assessment.reading.seen)[0])
    for i, name in enumerate(assessment.panel.listeners):
        shown = assessment.panel.shown(name)
        if ratio is not None and ratio[i] >= UNREPEATED:
            notes[name] = (
                f"{shown}'s ratings of one and the same form vary by {spread[i]:.0f} points from round "
                "to round, far more than the others': they count with less precision, not with less weight."
            )
    for name, form, points in _loyal(assessment):
        if name not in notes:
            notes[name] = (
                f'{assessment.panel.shown(name)} rates "{form}", known from before, about {points:.0f} '
                "points higher than the others do and agrees with them about the rest: habit, or a reason "
                "worth hearing."
            )
    return [f"{text} {_without(assessment, name, changes)}".strip() for name, text in notes.items()]


def _loyal(assessment: Assessment) -> list[tuple[str, str, float]]:
    """(listener, known form, points) of those who differ from all others only about the known form."""
    names, forms = assessment.panel.listeners, assessment.panel.candidates
    if len(names) < 3 or len(forms) < 3:
        return []
    known = prior_listens(assessment.table, forms)
    if known.max() < KNOWN_LISTENS:
        return []
    at = int(known.argmax())
    rest = [i for i in range(len(forms)) if i != at]
    settled = ListenerEffects.of(assessment.reading)
    contrast = np.full(len(forms), -1 / len(rest))
    contrast[at] = 1.0
    lead = settled.mean @ contrast
    variance = np.einsum("f,lfg,g->l", contrast, settled.cover, contrast)
    loyal = []
    for i, name in enumerate(names):
        others = np.arange(len(names)) != i
        more = float(lead[i] - lead[others].mean())
        sd = float(np.sqrt(variance[i] + variance[others].sum() / others.sum() ** 2))
        new = settled.mean[:, rest] - settled.mean[:, rest].mean(1, keepdims=True)
        apart = float(np.sqrt(((new[i] - new[others].mean(0)) ** 2).mean()))
        if more >= LOYAL_POINTS and NormalDist().cdf(more / sd) >= LOYAL_CHANCE and apart <= ALIKE_POINTS:
            loyal.append((name, forms[at], more))
    return loyal


def _without(assessment: Assessment, name: str, changes: Sequence[AlternativeReading]) -> str:
    shown = assessment.panel.shown(name)
    change = next((c for c in changes if c.change == f"without {shown}"), None)
    if change is None:
        return ""
    return f'Without {shown}, "{change.best}" comes first, with a chance of {phrases.chance(change.p_best)}.'
