"""The pictures beside `metrics.json`."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from pipeline.chart_colours import BLUE, GREY, INK, ORANGE
from pipeline.cues import CUES
from pipeline.domain import CAUTION
from pipeline.evaluate.cue_figures import CueFigure
from pipeline.evaluate.detection import DetectionFigures
from pipeline.evaluate.metrics import (
    average_precision,
    precision_recall,
    reliability_equal_count,
)
from pipeline.evaluate.queue_figures import QueueScores
from pipeline.intervals import wilson_interval

_WEAK_CUES = ("label_motto_curve", "label_fading")  # held to a lower mark, as styles and wear vary
_CUE_MARK, _WEAK_MARK = 0.97, 0.90
_DPI = 130


def draw_pictures(
    out: Path, detection: DetectionFigures, cues: Mapping[str, CueFigure], scores: QueueScores, capacity: int
) -> None:
    """Draw all pictures that the data allow into `out`.

    Args:
        out: an existing folder.
        detection: figures of the found parts.
        cues: figures of the cues.
        scores: the queue; without both kinds of listing its three pictures are left out.
        capacity: how many listings a person can look at.
    """
    _save(out / "detection.png", lambda axes: draw_detection(axes, detection), (7.5, 4.4))
    if any(figure.auroc is not None for figure in cues.values()):
        _save(out / "cues.png", lambda axes: draw_cues(axes, cues), (8.0, 6.6))
    if scores.has_both_kinds:
        _save(out / "reliability.png", lambda axes: draw_reliability(axes, scores), (6.2, 5.8))
        _save(out / "precision_recall.png", lambda axes: draw_precision_recall(axes, scores), (6.6, 5.2))
        _save(out / "gains.png", lambda axes: draw_gains(axes, scores, capacity), (6.6, 5.2))


def _save(path: Path, draw: Callable[[Axes], None], size_in: tuple[float, float]) -> None:
    """One picture with the caution under it."""
    figure = Figure(figsize=size_in, layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    axes.spines[["top", "right"]].set_visible(False)
    axes.set_axisbelow(True)
    draw(axes)
    figure.supxlabel(CAUTION, fontsize=7, color=GREY)
    figure.savefig(path, dpi=_DPI)


def draw_detection(axes: Axes, figures: DetectionFigures) -> None:
    """Average precision of each part, strict and lenient."""
    rows = [(name, ap, ap50, n) for name, (ap, ap50, n) in figures.parts.items() if ap is not None and ap50 is not None]
    rows.sort(key=lambda row: row[1])
    places = np.arange(len(rows))
    axes.barh(places + 0.2, [row[2] for row in rows], 0.38, color=GREY, label="AP at IoU 0.50")
    bars = axes.barh(places - 0.2, [row[1] for row in rows], 0.38, color=BLUE, label="AP over IoU 0.50 to 0.95")
    axes.bar_label(bars, fmt="%.2f", padding=3, fontsize=8, color=INK)
    axes.set_yticks(places, [f"{name.replace('_', ' ')} ({n})" for name, _, _, n in rows])
    axes.set_xlim(0, 1.05)
    axes.grid(axis="x", color="#E3E6EA")
    axes.set_xlabel("average precision")
    overall = "" if figures.ap is None or figures.ap50 is None else f": AP {figures.ap:.3f}, AP50 {figures.ap50:.3f}"
    axes.set_title(f"Finding the parts{overall}", loc="left", color=INK)
    _legend_below(axes)


def draw_cues(axes: Axes, cues: Mapping[str, CueFigure]) -> None:
    """AUROC of each cue with the mark it is held to."""
    judged = [(cue, figure.auroc, figure) for cue, figure in cues.items() if figure.auroc is not None]
    judged.sort(key=lambda row: row[1])
    places = np.arange(len(judged))
    marks = [_WEAK_MARK if cue in _WEAK_CUES else _CUE_MARK for cue, _, _ in judged]
    colours = [BLUE if value >= mark else ORANGE for (_, value, _), mark in zip(judged, marks, strict=True)]
    # From chance upwards: what lies below a half would be worse than a coin.
    floor = min(0.5, *(value for _, value, _ in judged))
    bars = axes.barh(places, [value - floor for _, value, _ in judged], 0.66, left=floor, color=colours)
    axes.bar_label(bars, [f"{value:.3f}" for _, value, _ in judged], padding=4, fontsize=8, color=INK)
    axes.plot(marks, places, "|", color=INK, markersize=19, markeredgewidth=1.8, label="mark to reach", clip_on=False)
    labels = [f"{CUES[cue].name.replace('_', ' ')} ({f.departed} of {f.rows} {f.judged_on})" for cue, _, f in judged]
    axes.set_yticks(places, labels, fontsize=8)
    axes.set_xlim(floor, 1.035)
    axes.grid(axis="x", color="#E3E6EA")
    axes.set_xlabel("AUROC (0.5: no better than a coin)")
    axes.set_title("Telling each cue's departure (departed of all judged)", loc="left", color=INK)
    _legend_below(axes)


def draw_reliability(axes: Axes, scores: QueueScores) -> None:
    """Probability said against share that was true, in bins of equal count with 95% intervals."""
    curve = reliability_equal_count(scores.probability, scores.counterfeit)
    counts = np.rint(curve.true * curve.rows).astype(int)
    intervals = [wilson_interval(int(k), int(n)) for k, n in zip(counts, curve.rows, strict=True)]
    low = [true - bounds[0] for true, bounds in zip(curve.true, intervals, strict=True)]
    high = [bounds[1] - true for true, bounds in zip(curve.true, intervals, strict=True)]
    axes.plot([0, 1], [0, 1], "--", color=GREY, label="said = true")
    axes.errorbar(
        curve.said, curve.true, yerr=np.maximum([low, high], 0), fmt="o", color=BLUE, ecolor=BLUE, elinewidth=1,
        capsize=2, label="ten bins of equal count, 95% interval",
    )  # fmt: skip
    # Where the probabilities lie: a thin line a listing along the edges.
    for is_counterfeit, height in ((True, 1.03), (False, -0.03)):
        at = scores.probability[scores.counterfeit == is_counterfeit]
        axes.plot(at, np.full(len(at), height), "|", color=ORANGE if is_counterfeit else BLUE, markersize=6, alpha=0.4)
    axes.set(xlim=(-0.02, 1.02), ylim=(-0.06, 1.06), xlabel="probability said", ylabel="share that was counterfeit")
    axes.text(0.5, 1.045, "counterfeit listings", fontsize=7, color=ORANGE, ha="center", va="bottom")
    axes.text(0.5, -0.015, "genuine listings", fontsize=7, color=BLUE, ha="center", va="bottom")
    axes.grid(color="#E3E6EA")
    chance, _ = scores.ece_by_chance
    title = f"Does the probability mean what it says? ECE {curve.ece:.3f}, by chance {chance:.3f}"
    axes.set_title(title, loc="left", color=INK, pad=16)
    _legend_below(axes)


def draw_precision_recall(axes: Axes, scores: QueueScores) -> None:
    """Precision against recall, beside the oracle and chance."""
    for name, values, colour in (
        ("oracle: true state of every visible cue", scores.oracle_log10_lr, GREY),
        ("queue", scores.log10_lr, BLUE),
    ):
        curve = precision_recall(values, scores.counterfeit)
        precision, recall = np.append(curve.precision[:1], curve.precision), np.append(0.0, curve.recall)
        label = f"{name} (AP {average_precision(values, scores.counterfeit):.3f})"
        axes.step(recall, precision, where="pre", color=colour, linewidth=2, label=label)
    axes.axhline(scores.counterfeit.mean(), color=ORANGE, linestyle=":", label="order by chance")
    axes.set(
        xlim=(0, 1.01), ylim=(0, 1.03), xlabel="share of counterfeits found", ylabel="share of looks that find one"
    )
    axes.grid(color="#E3E6EA")
    axes.set_title("How clean is the top of the queue?", loc="left", color=INK)
    _legend_below(axes)


def draw_gains(axes: Axes, scores: QueueScores, capacity: int) -> None:
    """How many looks find what share of the counterfeits."""
    total, wanted = len(scores.counterfeit), int(scores.counterfeit.sum())
    looks = np.arange(total + 1)
    axes.plot(looks, np.minimum(looks / wanted, 1), color=GREY, linestyle="--", label="if all were known")
    for name, values, colour in (("oracle", scores.oracle_log10_lr, GREY), ("queue", scores.log10_lr, BLUE)):
        axes.plot(looks, _found_share(values, scores.counterfeit), color=colour, linewidth=2, label=name)
    axes.plot([0, total], [0, 1], ":", color=ORANGE, label="order by chance")
    if capacity < total:
        found = _found_share(scores.log10_lr, scores.counterfeit)[capacity]
        axes.axvline(capacity, color=INK, linewidth=0.8)
        note = f" {capacity} looks find {found:.0%}"
        axes.annotate(note, (capacity, 0.04), fontsize=9, color=INK)
    axes.set(
        xlim=(0, total), ylim=(0, 1.03), xlabel="listings looked at, from the top", ylabel="share of counterfeits found"
    )
    axes.grid(color="#E3E6EA")
    axes.set_title(f"What do looks buy? {wanted} counterfeits in {total} listings", loc="left", color=INK)
    _legend_below(axes, columns=2)


def _found_share(values: Sequence[float] | np.ndarray, counterfeit: np.ndarray) -> np.ndarray:
    """Share of counterfeits among the first 0, 1, 2, ... rows."""
    order = np.argsort(-np.asarray(values), kind="stable")
    return np.concatenate([[0.0], np.cumsum(counterfeit[order]) / counterfeit.sum()])


def _legend_below(axes: Axes, columns: int = 1) -> None:
    """The legend where it covers nothing."""
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.13), frameon=False, fontsize=8, ncols=columns)
