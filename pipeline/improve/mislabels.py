"""Labels that are likely wrong, by confident learning (Northcutt, Jiang & Chuang 2021).

Each crop's answers are told by a model that never saw its seller: a logistic regression on what the head's query finds
in the crop, fitted to all other sellers. Crops that such models call, by the measure of each class's own usual
confidence, surely another class than their label's are likely mislabelled; `cleanlab`, the authors' library, counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from cleanlab.filter import find_label_issues
from numpy.typing import NDArray
from sklearn.linear_model import LogisticRegression
from sklearn.model_selection import StratifiedGroupKFold
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler

from pipeline.classify.heads import HEADS, Head
from pipeline.improve.crops import Crop
from pipeline.improve.findings import Finding, Worry

Floats = NDArray[np.float64]
_FOLDS = 5
_FEWEST_OF_A_CLASS = 6
_STRENGTH = 0.05  # of the regression's fit to the data: with few crops, less certainty


@dataclass(frozen=True, slots=True, eq=False)
class Mislabel:
    """A crop whose label is likely wrong: what it says, what it looks like, and how likely each is, 0..1."""

    crop: Crop
    head: Head
    labelled: str
    looks: str
    chance_of_label: float
    chance_of_look: float

    @property
    def finding(self) -> Finding:
        """As a sentence."""
        name = self.crop.of.listing.listing_id
        told = f"{self.head.name} is labelled {self.labelled}, looks {self.looks} ({self.chance_of_look:.0%})"
        return Finding(Worry.MISLABEL, f"{name}, {self.crop.part.photo}: {told}.", (name,))


def find_mislabels(
    crops: Sequence[Crop], found: NDArray[np.float32], seed: int = 0
) -> tuple[list[Mislabel], list[str]]:
    """Likely mislabels of all heads, the least likely labels first.

    Args:
        crops: labelled.
        found: what every query finds in every crop, shape (crops, queries, channels).
        seed: of the folds.

    Returns:
        The mislabels, and the heads of which there are too few examples to tell.
    """
    likely: list[Mislabel] = []
    untold: list[str] = []
    for number, head in enumerate(HEADS):
        told = _told_by_others(crops, found, number, seed)
        if told is None:
            untold.append(head.name)
        else:
            likely += _issues(crops, head, told)
    return sorted(likely, key=lambda one: one.chance_of_label), untold


@dataclass(frozen=True, slots=True, eq=False)
class _Told:
    """Of a head: which crops, their labels as places among `answers`, and out-of-sample chances (rows, answers)."""

    rows: NDArray[np.int64]
    labels: NDArray[np.int64]
    answers: tuple[str, ...]
    chances: Floats


def _told_by_others(crops: Sequence[Crop], found: NDArray[np.float32], number: int, seed: int) -> _Told | None:
    """What models that never saw a crop's seller say of it; None where there are too few crops to make them."""
    answers = np.array([crop.labels.answers[number] for crop in crops])
    known = [k for k in range(len(HEADS[number].answers)) if (answers == k).sum() >= _FEWEST_OF_A_CLASS]
    rows = np.flatnonzero(np.isin(answers, known))
    sellers = np.array([crops[place].seller for place in rows.tolist()])
    if len(known) < 2 or len(set(sellers)) < _FOLDS:
        return None
    labels = np.searchsorted(known, answers[rows])
    chances = np.zeros((len(rows), len(known)))
    folds = StratifiedGroupKFold(_FOLDS, shuffle=True, random_state=seed)
    for fit, check in folds.split(rows, labels, sellers):
        if len(set(labels[fit])) < len(known):
            return None
        model = make_pipeline(StandardScaler(), LogisticRegression(C=_STRENGTH, max_iter=500))
        model.fit(found[rows[fit], number], labels[fit])
        chances[check] = model.predict_proba(found[rows[check], number])
    return _Told(rows, labels, tuple(HEADS[number].answers[k] for k in known), chances)


def _issues(crops: Sequence[Crop], head: Head, told: _Told) -> list[Mislabel]:
    wrong = find_label_issues(told.labels, told.chances, filter_by="both", n_jobs=1)
    return [
        Mislabel(
            crop=crops[int(told.rows[row])],
            head=head,
            labelled=told.answers[int(told.labels[row])],
            looks=told.answers[int(told.chances[row].argmax())],
            chance_of_label=float(told.chances[row, told.labels[row]]),
            chance_of_look=float(told.chances[row].max()),
        )
        for row in np.flatnonzero(wrong)
    ]
