"""What a few labelled photos won back, as JSON and as a curve."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from pipeline.chart_colours import BLUE, GREY, INK, ORANGE
from pipeline.domain import CAUTION
from pipeline.train.judging import Figures

_LEAST_DROP = 0.005  # a smaller one is no drop to speak of, and a share of it is noise
_DPI = 130
Pick = Callable[[Figures], float | None]
SHOWN: Mapping[str, Pick] = {
    "detection AP50": lambda f: f.ap50,
    "mean AUROC of the cues": lambda f: f.mean_auroc,
    "queue AP, share of oracle": lambda f: f.queue_share,
    "ECE": lambda f: f.ece,
}


@dataclass(frozen=True, slots=True)
class Adapted:
    """Networks adapted with at most `count` photos (`photos` in fact), and their figures on the other look."""

    count: int
    photos: int
    draw: int
    recipe: str
    cpu_minutes: float
    figures: Figures


@dataclass(frozen=True, slots=True)
class Report:
    """The networks as they came, on their own look and the other, and adapted."""

    own: Figures
    other: Figures
    recipe: str
    points: tuple[Adapted, ...]


def won_back(own: float | None, other: float | None, adapted: float | None) -> float | None:
    """The share of the drop that adapting wins back: 0 none, 1 all, below 0 if it made things worse.

    Works for figures of which more is better and for those of which less is. None where a figure is missing or there
    is no drop to speak of.
    """
    if own is None or other is None or adapted is None or abs(own - other) < _LEAST_DROP:
        return None
    return (adapted - other) / (own - other)


def write_report(report: Report, out: Path) -> None:
    """Write `few_shot.json` and `few_shot.png` into a folder."""
    content = {
        "caution": CAUTION,
        "own": report.own.as_json(),
        "other": report.other.as_json(),
        "recipe": report.recipe,
        "points": [_row(report, point) for point in report.points],
    }
    (out / "few_shot.json").write_text(json.dumps(content, indent=1), encoding="utf-8")
    draw_report(report, out / "few_shot.png")


def _row(report: Report, point: Adapted) -> dict[str, object]:
    shares = {name: won_back(pick(report.own), pick(report.other), pick(point.figures)) for name, pick in SHOWN.items()}
    return {
        "count": point.count, "photos": point.photos, "draw": point.draw, "cpu_minutes": round(point.cpu_minutes, 2),
        "won_back": shares, "figures": point.figures.as_json(),
    }  # fmt: skip


def draw_report(report: Report, path: Path) -> None:
    """A panel a figure, with what it was at the start on either look, and one of the CPU minutes."""
    figure = Figure(figsize=(10.5, 7.2), layout="constrained")
    FigureCanvasAgg(figure)
    panels = figure.subplots(2, 3).ravel()
    for axes, (name, pick) in zip(panels, SHOWN.items(), strict=False):
        _draw_curve(axes, report.points, partial(_picked, pick), BLUE)
        for start, label, colour in ((report.own, "own look", INK), (report.other, "other look, as it came", ORANGE)):
            value = pick(start)
            if value is not None:
                axes.axhline(value, color=colour, linestyle=":", label=label)
        axes.set_title(name, loc="left", color=INK, fontsize=10)
    _draw_curve(panels[4], report.points, lambda point: point.cpu_minutes, BLUE)
    panels[4].set_title("CPU minutes of training", loc="left", color=INK, fontsize=10)
    panels[5].set_axis_off()
    handles, labels = panels[0].get_legend_handles_labels()
    panels[5].legend(handles, labels, loc="center", frameon=False)
    for axes in panels[:5]:
        axes.spines[["top", "right"]].set_visible(False)
        axes.grid(axis="y", alpha=0.3)
        axes.set_xlabel("labelled photos of the other look")
    figure.supxlabel(CAUTION, fontsize=7, color=GREY)
    figure.savefig(path, dpi=_DPI)


def _picked(pick: Pick, point: Adapted) -> float | None:
    return pick(point.figures)


def _draw_curve(axes: Axes, points: Sequence[Adapted], value: Callable[[Adapted], float | None], colour: str) -> None:
    """Mean over the draws, with bars from the least to the largest."""
    counts, middle, below, above = [], [], [], []
    for count in sorted({point.count for point in points}):
        values = [v for point in points if point.count == count and (v := value(point)) is not None]
        if values:
            mean = float(np.mean(values))
            counts.append(float(np.mean([point.photos for point in points if point.count == count])))
            middle.append(mean)
            below.append(mean - min(values))
            above.append(max(values) - mean)
    axes.errorbar(
        counts, middle, (below, above), color=colour, marker="o", capsize=3, label="adapted; bars: least and largest"
    )
