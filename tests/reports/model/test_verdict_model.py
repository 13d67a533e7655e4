"""The model against a dense solution of its own, a published mixed model, and statsmodels."""

import csv
import warnings
from dataclasses import replace
from itertools import product

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import linalg

from render.arrays import Floats
from reports.model.familiarity import Observations, Prior, fit
from reports.model.posterior import Targets, each_listener
from reports.simulation.worlds import World, simulate
from tests.places import DATA


def small_study(seed: int = 3) -> Observations:
    """Two listeners, three forms, uneven: a missed round, an incumbent, a form added later."""
    rng = np.random.default_rng(seed)
    rows = []
    for listener, rounds in ((0, (0, 1, 2)), (1, (0, 2))):
        for around in rounds:
            forms = rng.permutation(3 if around else 2)
            for place, form in enumerate(forms):
                before = forms[place - 1] if place else -1
                rows.append((listener, form, listener * 3 + around, place, before, around + 40 * (form == 0)))
    codes = np.array(rows)
    return Observations(
        rating=np.round(rng.uniform(20, 90, len(rows))),
        listener=codes[:, 0],
        form=codes[:, 1],
        group=np.unique(codes[:, 2], return_inverse=True)[1],
        position=codes[:, 3],
        previous=codes[:, 4],
        exposure=codes[:, 5].astype(float),
        listeners=2,
        forms=3,
    )


def dense(seen: Observations, prior: Prior):  # type: ignore[no-untyped-def]
    """The same posterior the long way: one n x n covariance a grid point, levels by a projection.

    Yields (log weight, mean of q + mean dev, its covariance without the noise variance, noise variance).
    """
    n, n_l, n_f = len(seen), seen.listeners, seen.forms
    levels = np.eye(seen.group.max() + 1)[seen.group]
    keep = linalg.null_space(levels.T).T  # contrasts free of the levels: (n - groups, n)
    form, place = np.eye(n_f)[seen.form], np.eye(seen.position.max() + 1)[seen.position]
    before = np.array([np.eye(n_f)[f] if f >= 0 else np.zeros(n_f) for f in seen.previous])
    own = np.zeros((n, n_l * n_f))
    own[np.arange(n), seen.listener * n_f + seen.form] = 1
    df = prior.noise_df + len(keep)
    target = np.hstack([np.eye(n_f), np.hstack([np.eye(n_f) / n_l] * n_l)])
    grid = product(prior.tau, prior.dev, prior.q, prior.own_gap, prior.common_gap)
    for (tau, w0), (dev, w1), (q, w2), (mine, w3), (common, w4) in grid:
        x = np.exp(-seen.exposure / tau) if tau else np.zeros(n)
        noise = np.ones(n_l) if seen.noise_ratio is None else seen.noise_ratio
        cover = (
            np.diag(noise[seen.listener])
            + prior.position**2 * place @ place.T
            + prior.carry_over**2 * before @ before.T
        )
        mine *= min(1, prior.own_gap_tau / tau) if tau else 1
        cover += mine**2 * np.outer(x, x) * (form @ form.T) + common**2 * np.outer(x, x)
        cover += q**2 * form @ form.T + dev**2 * own @ own.T
        with_target = np.hstack([form, own]) * np.r_[np.full(n_f, q**2), np.full(n_l * n_f, dev**2)]
        y = keep @ (seen.rating + prior.gap_mean * x)
        inner = np.linalg.inv(keep @ cover @ keep.T)
        quad = prior.noise_df * prior.noise_sd**2 + y @ inner @ y
        log_det = np.linalg.slogdet(keep @ cover @ keep.T)[1]
        log_weight = np.log(w0 * w1 * w2 * w3 * w4) - log_det / 2 - df / 2 * np.log(quad)
        gain = target @ with_target.T @ keep.T @ inner
        own_cover = target @ np.diag(np.r_[np.full(n_f, q**2), np.full(n_l * n_f, dev**2)]) @ target.T
        yield log_weight, gain @ y, own_cover - gain @ keep @ with_target @ target.T, quad / df


@pytest.mark.parametrize("ratio", [None, np.array([1.0, 4.0])])
@pytest.mark.parametrize("seed", [3, 4])
def test_against_dense_solution(seed: int, ratio: Floats | None) -> None:
    seen, prior = replace(small_study(seed), noise_ratio=ratio), Prior()
    fitted = fit(seen, prior)
    logs, means, covers, scales = map(np.array, zip(*dense(seen, prior), strict=True))
    weight = np.exp(logs - logs.max())
    assert fitted.weight[:, 0] == pytest.approx(weight / weight.sum(), abs=1e-12)
    assert fitted.scale[:, 0] == pytest.approx(scales, rel=1e-11)
    targets = Targets.of(fitted, np.full(2, 0.5))
    assert targets.mean[..., 0] == pytest.approx(means, abs=1e-9)
    assert targets.cover == pytest.approx(covers, abs=1e-8)


def test_each_listener_is_the_target_of_that_listener() -> None:
    seen = small_study()
    fitted = fit(seen, Prior())
    mean, cover = each_listener(fitted)
    for listener in range(2):
        expected_mean, expected_cover = Targets.of(fitted, np.eye(2)[listener]).moments()
        assert mean[listener] == pytest.approx(expected_mean[0], abs=1e-4)
        assert cover[listener] == pytest.approx(expected_cover[0], abs=1e-2)


def test_many_ratings_at_once_are_the_same_as_one_by_one() -> None:
    seen = small_study()
    rng = np.random.default_rng(1)
    many = rng.uniform(0, 100, (len(seen), 3))
    together = fit(seen, Prior(), many)
    for i in range(3):
        alone = fit(seen, Prior(), many[:, [i]])
        assert together.weight[:, i] == pytest.approx(alone.weight[:, 0], abs=1e-13)
        assert together.mean[..., i] == pytest.approx(alone.mean[..., 0], abs=1e-10)


def sleepstudy() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    with (DATA / "lmm_sleepstudy.csv").open(encoding="utf-8", newline="") as file:
        rows = [(int(r["Subject"]), float(r["Days"]), float(r["Reaction"])) for r in csv.DictReader(file)]
    assert len(rows) == 180
    subject, days, reaction = (np.array(column) for column in zip(*rows, strict=True))
    return np.unique(subject, return_inverse=True)[1], days, reaction


def test_sleepstudy_random_intercept_with_published_variances() -> None:
    """The same engine on Reaction ~ Days + (1|Subject), variance components fed in.

    The days play the forms (two far apart, so that q carries the slope), the subjects the deviations.
    With flat priors on the fixed effects, the posterior mean and SD of the slope must be those of the REML
    fit: 10.467 (0.8042), residual SD 30.991 (lme4's documentation; SE from memory, recomputed).
    """
    subject, days, reaction = sleepstudy()
    # within subjects the random intercept cancels, as our levels do: group = subject
    seen = Observations(
        rating=reaction,
        listener=np.zeros(180, dtype=np.int64),
        form=np.zeros(180, dtype=np.int64),
        group=subject,
        position=np.zeros(180, dtype=np.int64),
        previous=np.full(180, -1),
        exposure=days,
        listeners=1,
        forms=1,
    )
    slope, sd = _gap_slope(seen, residual_sd=30.991)
    assert slope == pytest.approx(10.467, abs=5e-4)
    assert sd == pytest.approx(0.8042, abs=5e-4)


def _gap_slope(seen: Observations, residual_sd: float) -> tuple[float, float]:
    """The slope over exposure: at a very long tau the familiarity term is linear, gap * exposure / tau."""
    tau = 1e7
    prior = Prior(
        q=((1e-6, 1.0),),
        dev=((1e-6, 1.0),),
        own_gap=((1e-6, 1.0),),
        common_gap=((1e9, 1.0),),
        tau=((tau, 1.0),),
        gap_mean=0.0,
        noise_df=1e12,
        noise_sd=residual_sd,
    )
    fitted = fit(seen, prior)
    at = fitted.where.common_gap.start
    sd = np.sqrt(fitted.cover[0, at, at] * fitted.scale[0, 0])
    return float(fitted.mean[0, at, 0] / tau), float(sd / tau)


def _mixed(dev: float, residual_sd: float) -> Prior:
    """No familiarity or order effects, flat fixed effects, known variances (dev in units of the residual)."""
    return Prior(
        q=((1e5, 1.0),),
        dev=((dev, 1.0),),
        own_gap=((1e-6, 1.0),),
        common_gap=((1e-6, 1.0),),
        tau=((0.0, 1.0),),
        position=1e-6,
        carry_over=1e-6,
        noise_df=1e12,
        noise_sd=residual_sd,
    )


def test_sleepstudy_random_slopes_with_published_variances() -> None:
    """Reaction ~ Days + (Days|Subject), REML: slope 10.467 (SE 1.546); SDs 5.922 and 25.592 fed in.

    Every subject has the same ten days, so a subject's slope is one orthogonal contrast of the data; it
    enters as the difference of two "forms" rated once, its random part as the deviations of that "listener".
    """
    subject, days, reaction = sleepstudy()
    off = days - days.mean()
    root = np.sqrt((off[subject == 0] ** 2).sum())
    contrast = np.bincount(subject, weights=off * reaction) / root  # has the residual's own variance
    count = len(contrast)
    seen = Observations(
        rating=np.column_stack([contrast, -contrast]).ravel() / np.sqrt(2),
        listener=np.repeat(np.arange(count), 2),
        form=np.tile([0, 1], count),
        group=np.repeat(np.arange(count), 2),
        position=np.zeros(2 * count, dtype=np.int64),
        previous=np.full(2 * count, -1),
        exposure=np.zeros(2 * count),
        listeners=count,
        forms=2,
    )
    fitted = fit(seen, _mixed(root * 5.922 / 25.592, 25.592))
    targets = Targets.of(fitted, None)
    turn = np.array([1, -1]) / np.sqrt(2) / root
    assert turn @ targets.mean[0, :, 0] == pytest.approx(10.467, abs=5e-4)
    assert np.sqrt(turn @ targets.cover[0] @ turn * fitted.scale[0, 0]) == pytest.approx(1.546, abs=5e-4)


def test_balanced_study_against_statsmodels() -> None:
    """Form contrasts, their SEs and each listener's deviations as statsmodels' MixedLM has them."""
    study = simulate(World(listeners=5, forms=3, advantage=5, dev_sd=8, gap=(0, 0), gap_wobble=0), 6, 2)
    seen = study.seen
    frame = pd.DataFrame(
        {"y": seen.rating, "form": seen.form, "listener": seen.listener, "level": seen.group}
    )
    model = smf.mixedlm(
        "y ~ C(level) + C(form)", frame, groups="listener", vc_formula={"dev": "0 + C(form)"}, re_formula="0"
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns about the missing random intercept
        theirs = model.fit(reml=True)
    residual_sd = float(np.sqrt(theirs.scale))
    dev = float(np.sqrt(theirs.vcomp[0] / theirs.scale))
    assert dev > 0.2
    fitted = fit(seen, _mixed(dev, residual_sd))
    targets = Targets.of(fitted, None)
    mean, cover = targets.mean[0, :, 0], targets.cover[0] * fitted.scale[0, 0]
    for form in (1, 2):
        contrast = np.eye(3)[form] - np.eye(3)[0]
        name = f"C(form)[T.{form}]"
        assert contrast @ mean == pytest.approx(theirs.fe_params[name], abs=1e-4)
        assert np.sqrt(contrast @ cover @ contrast) == pytest.approx(theirs.bse_fe[name], rel=1e-4)
    own = each_listener(fitted)[0] - mean
    for listener, effects in theirs.random_effects.items():
        expected = effects.to_numpy() - effects.to_numpy().mean()
        assert own[listener] - own[listener].mean() == pytest.approx(expected, abs=1e-3)


def test_draws_have_the_mixture_s_moments_and_do_not_move() -> None:
    seen = simulate(World(listeners=3, advantage=6), 6, 11).seen
    targets = Targets.of(fit(seen, Prior()), np.full(3, 1 / 3))
    draws = targets.draws(40_000, 5)
    (mean,), (cover,) = targets.moments()
    sd = np.sqrt(np.diag(cover))
    assert np.abs(draws.mean(0) - mean).max() < 0.03 * sd.max()
    assert draws.std(0) == pytest.approx(sd, rel=0.03)
    assert np.array_equal(draws, targets.draws(40_000, 5))


def test_no_data_gives_the_prior_back() -> None:
    seen = small_study().only(np.zeros(0, dtype=np.int64))
    fitted = fit(seen, Prior())
    (mean,), (cover,) = Targets.of(fitted, np.full(2, 0.5)).moments()
    assert mean == pytest.approx(np.zeros(3), abs=1e-12)
    assert np.ptp(np.diag(cover)) == pytest.approx(0, abs=1e-9) and cover[0, 0] > 0
