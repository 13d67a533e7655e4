"""A cross-validated classifier of excerpts, and the area under its ROC curve."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from sklearn.ensemble import ExtraTreesClassifier
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import roc_auc_score
from sklearn.model_selection import GroupKFold
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler

from render.arrays import Floats

FOLDS = 10
TREES = 400


@dataclass(frozen=True)
class Area:
    """Area under the ROC curve, with the range of 95 % of bootstrap samples of whole pieces."""

    auc: float
    low: float
    high: float

    def __str__(self) -> str:
        return (
            f".{round(self.auc * 100):02d} (.{round(self.low * 100):02d} to .{round(self.high * 100):02d})"
            if self.high < 0.995
            else f"{self.auc:.2f} ({self.low:.2f} to {self.high:.2f})"
        )


def area(
    edited: Floats,
    clean: Floats,
    edited_pieces: list[str],
    clean_pieces: list[str],
    *,
    trees: int = TREES,
    samples: int = 200,
) -> Area:
    """How well excerpts, (n, features) each, are told apart by one that never heard their pieces.

    The range is that of so many bootstrap `samples`; with none it is the area itself.
    """
    x = np.nan_to_num(np.concatenate([edited, clean]))
    y = np.concatenate([np.ones(len(edited)), np.zeros(len(clean))])
    groups = np.array([*edited_pieces, *clean_pieces])
    scores = np.zeros(len(y))
    for train, test in GroupKFold(min(FOLDS, len(set(groups)))).split(x, y, groups):
        wood = ExtraTreesClassifier(trees, min_samples_leaf=3, random_state=1)
        line = make_pipeline(StandardScaler(), LogisticRegression(C=0.03, max_iter=2000))
        for model in (wood, line):
            scores[test] += model.fit(x[train], y[train]).predict_proba(x[test])[:, 1] / 2
    names, chance = sorted(set(groups)), np.random.default_rng(1)
    members = {name: np.flatnonzero(groups == name) for name in names}
    auc = float(roc_auc_score(y, scores))
    tried = [] if samples else [auc]
    for _ in range(samples):
        at = np.concatenate([members[name] for name in chance.choice(names, len(names))])
        tried.append(roc_auc_score(y[at], scores[at]))
    low, high = np.quantile(tried, [0.025, 0.975])
    return Area(auc, float(low), float(high))
