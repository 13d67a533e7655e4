"""The reading of a study's ratings that decides whether listening may stop and which forms rest."""

from __future__ import annotations

from reports.facts.ratings import study_ratings
from reports.model.gates import Chances
from reports.verdict.assessment import Assessment
from sessions.resting import FormReading, PanelReading
from sessions.study import Study


def read_panel(study: Study) -> PanelReading | None:
    """The reading of what has been rated so far; None with nothing to compare.

    Raises:
        RenderError, LogError: renders or log are not in order.
    """
    contents = study.log.contents()
    manifest = study.manifest
    ratings = study_ratings(study.song, manifest, contents)
    if len(ratings.forms) < 2 or not ratings.table["form"].isin(ratings.forms).any():
        return None
    assessment = Assessment.of(
        ratings.table,
        weights=ratings.weights,
        listeners=ratings.listeners,
        forms=ratings.forms,
        retired=ratings.retired,
        resting=ratings.resting,
    )
    return _reading(assessment, {form.name: form.content_hash for form in manifest.forms})


def _reading(assessment: Assessment, hashes: dict[str, str]) -> PanelReading:
    """The three readings are among the forms that play; what rests has chance 0 in them."""
    plays = {name: i for i, name in enumerate(assessment.playing)}
    cautious = assessment.playing_cautious
    readings = (assessment.playing_chances, cautious.slow, cautious.own_way)
    leaders = {assessment.playing[reading.order[0]] for reading in readings}
    forms = {}
    for i, name in enumerate(assessment.panel.candidates):
        main, slow, own = (_chance(reading, plays.get(name)) for reading in readings)
        among_all = round(float(assessment.reading.chances.best[i]), 6)
        forms[hashes[name]] = FormReading(main, slow, own, among_all, name in leaders)
    return PanelReading(assessment.state, assessment.may_stop, assessment.coverage.reached, forms)


def _chance(reading: Chances, at: int | None) -> float:
    return 0.0 if at is None else round(float(reading.best[at]), 6)
