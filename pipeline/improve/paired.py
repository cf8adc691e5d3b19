"""Two models on the same listings: how their figures differ, with intervals from drawing the listings anew.

Both are judged on each draw together (paired bootstrap, Efron & Tibshirani 1993), whole listings at a time, since the
photos of one pair are no independent witnesses. So that a candidate is not refused for one unlucky cue of many, the
bounds of all comparisons hold together at 95% (Bonferroni).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.evaluate.metrics import auroc, average_precision, cllr

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
FEWEST = 5  # of each kind; below, nothing is said of a cue
_FAMILY = 0.05
_DRAWS = 4000


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """What both models say of the same rows: scores (n,) that rise with departure, truth (n,), whose listing (n,)."""

    in_use: Floats
    candidate: Floats
    departs: Bools
    listing: NDArray[np.int64]

    def can_be_told(self) -> bool:
        """Whether there are enough rows of both kinds."""
        return min(int(self.departs.sum()), int((~self.departs).sum())) >= FEWEST


@dataclass(frozen=True, slots=True)
class Difference:
    """One figure of both models; `low` and `high` bound candidate less in use, so that all bounds hold at once.

    `rises` says whether more is better. `rows` and `departed` say what it rests on.
    """

    what: str
    figure: str
    in_use: float
    candidate: float
    low: float
    high: float
    rises: bool
    rows: int
    departed: int

    @property
    def is_worse(self) -> bool:
        """Whether the candidate is worse beyond noise."""
        return self.high < 0 if self.rises else self.low > 0

    @property
    def is_better(self) -> bool:
        """Whether it is better beyond noise."""
        return self.low > 0 if self.rises else self.high < 0


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure of scores and truths, and whether more of it is better."""

    name: str
    of: Callable[[Floats, Bools], float]
    rises: bool


def _log_loss(chances: Floats, departs: Bools) -> float:
    """Mean surprise in bits at the truth, both kinds weighing alike."""
    kept = np.clip(chances, 1e-4, 1 - 1e-4)
    return float((-np.log2(kept[departs]).mean() - np.log2(1 - kept[~departs]).mean()) / 2)


CUE_FIGURES = (Figure("AUROC", auroc, True), Figure("surprise in bits", _log_loss, False))
QUEUE_FIGURES = (Figure("average precision", average_precision, True), Figure("Cllr", cllr, False))


def differences(
    jobs: Sequence[tuple[str, Rows, Sequence[Figure]]], seed: int = 0, draws: int = _DRAWS
) -> list[Difference]:
    """Every figure of every job, its bounds wide enough to hold for all of them together.

    Args:
        jobs: a name, rows, and the figures to take of them.
        seed: of the draws.
        draws: of listings, 1000 or more.
    """
    tail = _FAMILY / max(1, sum(len(figures) for _, _, figures in jobs))
    return [
        difference
        for name, rows, figures in jobs
        for difference in _of_job(name, rows, figures, tail, np.random.default_rng(seed), draws)
    ]


def _of_job(
    name: str, rows: Rows, figures: Sequence[Figure], tail: float, rng: np.random.Generator, draws: int
) -> list[Difference]:
    _, whose = np.unique(rows.listing, return_inverse=True)
    of_listing = [np.flatnonzero(whose == number) for number in range(whose.max() + 1)]
    found: dict[str, list[float]] = {figure.name: [] for figure in figures}
    for _ in range(draws):
        drawn = np.concatenate([of_listing[k] for k in rng.integers(0, len(of_listing), len(of_listing))])
        departs = rows.departs[drawn]
        if departs.any() and not departs.all():
            for figure in figures:
                step = figure.of(rows.candidate[drawn], departs) - figure.of(rows.in_use[drawn], departs)
                found[figure.name].append(step)
    made = []
    for figure in figures:
        low, high = np.quantile(found[figure.name], [tail, 1 - tail])
        made.append(
            Difference(
                what=name,
                figure=figure.name,
                in_use=figure.of(rows.in_use, rows.departs),
                candidate=figure.of(rows.candidate, rows.departs),
                low=float(low),
                high=float(high),
                rises=figure.rises,
                rows=len(rows.departs),
                departed=int(rows.departs.sum()),
            )
        )
    return made
