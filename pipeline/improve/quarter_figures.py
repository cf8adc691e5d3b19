"""How the simulated quarter went: precision and recall by week with intervals, what is won back, and the plot."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from numpy.typing import NDArray

from pipeline.chart_colours import BLUE, INK, ORANGE
from pipeline.domain import CAUTION
from pipeline.improve.quarter_bank import NEWS_FROM, WEEKS
from pipeline.improve.quarter_days import LISTINGS, REVIEWS

Floats = NDArray[np.float64]
WITHOUT, WITH, KNOWING = "without", "with", "knowing"
_COLOURS = {WITHOUT: ORANGE, WITH: BLUE, KNOWING: "#7D858F"}
_WORDS = {
    WITHOUT: "without retraining",
    WITH: "retrained every week on what moderators said",
    KNOWING: "heads that knew the new kind from the start",
}
_DRAWS = 4000


@dataclass(frozen=True, slots=True)
class DayFigures:
    """How one arm did on one day: counterfeits among the looks, and in all; of the new kind likewise."""

    caught: int
    there: int
    new_caught: int
    new_there: int


@dataclass(frozen=True, slots=True)
class Spread:
    """A figure, and where 95% of it lie when the days are drawn anew."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, eq=False)
class Quarters:
    """Simulated quarters: by arm, seed by seed and week by week, the days that the week's judge was measured on.

    All arms and weeks of a seed are measured on the same days, so they are drawn anew together: whole days, each with
    crops of its own (bootstrap of clusters, Davison & Hinkley 1997, section 3.8), as many of every seed as there are.
    """

    days: Mapping[str, Sequence[Sequence[Sequence[DayFigures]]]]

    def precision(self, arm: str, week: int) -> Spread:
        """Of the looks, the share at counterfeits."""
        looks = float(REVIEWS)
        return self._spread(lambda drawn: self._sum(arm, week, "caught", drawn) / (looks * drawn.sum((1, 2))))

    def recall(self, arm: str, week: int) -> Spread:
        """Of all counterfeits, the share among the looks."""
        return self._spread(lambda drawn: self._share(arm, week, drawn))

    def recall_of_new(self, arm: str, week: int) -> Spread:
        """Of the counterfeits of the new kind, the share among the looks."""
        return self._spread(
            lambda drawn: self._sum(arm, week, "new_caught", drawn) / self._sum(arm, week, "new_there", drawn)
        )

    def won_back(self, week: int) -> Spread:
        """Of the recall that not knowing the new kind costs in a week, the share that the loop has won back."""

        def share(drawn: Floats) -> Floats:
            without, with_, knowing = (self._share(arm, week, drawn) for arm in (WITHOUT, WITH, KNOWING))
            lost = knowing - without
            return np.where(lost > 0, (with_ - without) / np.where(lost > 0, lost, 1), 1.0)

        return self._spread(share)

    def of_seed(self, place: int) -> Quarters:
        """One seed alone."""
        return Quarters({arm: [seeds[place]] for arm, seeds in self.days.items()})

    def _share(self, arm: str, week: int, drawn: Floats) -> Floats:
        return self._sum(arm, week, "caught", drawn) / self._sum(arm, week, "there", drawn)

    def _sum(self, arm: str, week: int, what: str, drawn: Floats) -> Floats:
        counts = np.array([[getattr(day, what) for day in weeks[week - 1]] for weeks in self.days[arm]], float)
        return np.asarray((drawn * counts).sum((1, 2)), np.float64)

    def _spread(self, figure: Callable[[Floats], Floats]) -> Spread:
        """The figure of the days as they are, and of days drawn anew; how often each is drawn: (draws, seeds, days)."""
        seeds, days = len(self.days[WITH]), len(self.days[WITH][0][0])
        value = float(figure(np.ones((1, seeds, days)))[0])
        drawn = np.random.default_rng(0).multinomial(days, [1 / days] * days, (_DRAWS, seeds)).astype(np.float64)
        low, high = np.quantile(figure(drawn), [0.025, 0.975])
        return Spread(value, float(low), float(high))


def as_json(quarters: Quarters, seeds: Sequence[int]) -> dict[str, object]:
    """All figures by week, for `quarter.json`."""

    def row(spread: Spread) -> list[float]:
        return [round(number, 4) for number in (spread.value, spread.low, spread.high)]

    weeks = range(1, WEEKS + 1)
    news = range(NEWS_FROM, WEEKS + 1)
    return {
        "seeds": list(seeds),
        "each": "value, low, high (95%, days drawn anew)",
        "precision": {arm: {week: row(quarters.precision(arm, week)) for week in weeks} for arm in _WORDS},
        "recall": {arm: {week: row(quarters.recall(arm, week)) for week in weeks} for arm in _WORDS},
        "recall_of_new": {arm: {week: row(quarters.recall_of_new(arm, week)) for week in news} for arm in _WORDS},
        "won_back": {week: row(quarters.won_back(week)) for week in news},
        "won_back_by_seed": {
            seed: {week: row(quarters.of_seed(place).won_back(week)) for week in news}
            for place, seed in enumerate(seeds)
        },
    }


def draw(quarters: Quarters, path: Path) -> None:
    """Precision, recall and what is won back by week, a line an arm with its interval."""
    figure = Figure(figsize=(13, 4.8), layout="constrained")
    FigureCanvasAgg(figure)
    precision, recall, back = figure.subplots(1, 3)
    for axes, name, figures in ((precision, "precision", quarters.precision), (recall, "recall", quarters.recall)):
        for arm in (KNOWING, WITHOUT, WITH):
            _line(axes, range(1, WEEKS + 1), [figures(arm, week) for week in range(1, WEEKS + 1)], arm)
        axes.set(ylim=(0, 1), ylabel=f"{name} of {REVIEWS} looks in {LISTINGS} listings")
    news = range(NEWS_FROM, WEEKS + 1)
    _line(back, news, [quarters.won_back(week) for week in news], WITH)
    back.axhline(0.9, color=_COLOURS[KNOWING], linewidth=1, linestyle="--")
    back.text(WEEKS, 0.88, "goal from week 6 on", ha="right", va="top", fontsize=8)
    back.set(ylim=(-0.1, 1.3), ylabel="share of the lost recall that is won back")
    for axes in (precision, recall, back):
        axes.set(xlabel="week", xticks=range(1, WEEKS + 1))
        axes.axvline(NEWS_FROM, color=INK, linewidth=0.8, linestyle=":")
        axes.text(NEWS_FROM + 0.1, axes.get_ylim()[0] + 0.03, "a new kind appears", fontsize=8)
        axes.grid(color="#E3E6EA")
        axes.spines[["top", "right"]].set_visible(False)
    handles, labels = recall.get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside upper center", ncols=3, frameon=False, fontsize=9)
    figure.supxlabel(f"Bands: 95%, days drawn anew. {CAUTION}", fontsize=7, color=_COLOURS[KNOWING])
    figure.savefig(path, dpi=120)


def _line(axes: Axes, weeks: Sequence[int], spreads: Sequence[Spread], arm: str) -> None:
    style = "--" if arm == KNOWING else "-"
    values, low, high = ([getattr(one, name) for one in spreads] for name in ("value", "low", "high"))
    axes.plot(weeks, values, style, marker="o", markersize=3, color=_COLOURS[arm], label=_WORDS[arm])
    axes.fill_between(weeks, low, high, color=_COLOURS[arm], alpha=0.15, linewidth=0)
