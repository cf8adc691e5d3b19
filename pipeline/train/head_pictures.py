"""How good the heads are, as pictures: confusion, calibration, precision and recall, a small one a head."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from numpy.typing import NDArray

from pipeline.chart_colours import BLUE, GREY, INK, ORANGE
from pipeline.classify.heads import HEADS, Head, head_slices
from pipeline.domain import CAUTION
from pipeline.evaluate.metrics import average_precision, precision_recall, reliability_equal_count

Floats = NDArray[np.float64]
Chances = tuple[NDArray[np.int64], NDArray[np.int64], Floats]  # of a head: crops' places, true answers, chances given
_COLUMNS = 5


def chances_by_head(
    logits: NDArray[np.float32], answers: NDArray[np.int64], temperature: Mapping[str, float]
) -> dict[str, Chances]:
    """What the heads say of the crops that have a label, as `draw_heads` wants it."""
    found = {}
    for number, (name, where) in enumerate(head_slices().items()):
        places = np.flatnonzero(answers[:, number] >= 0)
        if len(places):
            wide = logits[places][:, where].astype(np.float64) / temperature[name]
            odds = np.exp(wide - wide.max(1, keepdims=True))
            found[name] = (places, answers[places, number], odds / odds.sum(1, keepdims=True))
    return found


def draw_heads(chances: Mapping[str, Chances], out: Path) -> None:
    """Write `confusion.png`, `reliability.png` and `precision_recall.png` into `out`; nothing where no head is judged.

    Args:
        chances: by head the crops' places (n,), their true answers (n,), and the chances given (n, answers).
        out: a folder.
    """
    if not chances:
        return
    _grid(out / "confusion.png", chances, _draw_confusion, "Rows: what is true. Columns: what was said.")
    words = "Across: the chance of a departure that was given. Up: the share that departed. In brackets: crops."
    _grid(out / "reliability.png", chances, _draw_reliability, words)
    words = "Across: recall of departures. Up: precision."
    _grid(out / "precision_recall.png", chances, _draw_precision_recall, words)


def _grid(
    path: Path,
    chances: Mapping[str, Chances],
    draw: Callable[[Axes, Head, NDArray[np.int64], Floats], None],
    words: str,
) -> None:
    """One small picture a head, with what all of them show in words."""
    heads = [head for head in HEADS if head.name in chances]
    rows = -(-len(heads) // _COLUMNS)
    figure = Figure(figsize=(_COLUMNS * 2.7, rows * 2.7 + 0.5), layout="constrained")
    FigureCanvasAgg(figure)
    places = figure.subplots(rows, _COLUMNS, squeeze=False).ravel()
    for axes in places[len(heads) :]:
        axes.set_axis_off()
    for axes, head in zip(places, heads, strict=False):
        _, truth, chance = chances[head.name]
        axes.set_title(f"{head.name.replace('_', ' ')} ({len(truth)})", fontsize=9, color=INK, loc="left")
        axes.tick_params(labelsize=7)
        draw(axes, head, truth, chance)
    figure.suptitle(words, fontsize=9, color=INK)
    figure.supxlabel(CAUTION, fontsize=7, color=GREY)
    figure.savefig(path, dpi=100)


def _draw_confusion(axes: Axes, head: Head, truth: NDArray[np.int64], chance: Floats) -> None:
    n = len(head.answers)
    table = np.zeros((n, n), np.int64)
    np.add.at(table, (truth, chance.argmax(1)), 1)
    axes.imshow(table / np.maximum(table.sum(1, keepdims=True), 1), cmap="Blues", vmin=0, vmax=1)
    for i in range(n):
        for j in range(n):
            axes.text(j, i, str(table[i, j]), ha="center", va="center", fontsize=8, color=ORANGE)
    words = [answer.replace("_", " ")[:9] for answer in head.answers]
    axes.set_xticks(range(n), words, rotation=30)
    axes.set_yticks(range(n), words)


def _draw_reliability(axes: Axes, _head: Head, truth: NDArray[np.int64], chance: Floats) -> None:
    curve = reliability_equal_count(1 - chance[:, 0], truth > 0, bins=min(8, len(truth)))
    axes.plot([0, 1], [0, 1], "--", color=GREY)
    axes.plot(curve.said, curve.true, "o-", color=BLUE, markersize=3)
    axes.set(xlim=(-0.02, 1.02), ylim=(-0.02, 1.02))


def _draw_precision_recall(axes: Axes, _head: Head, truth: NDArray[np.int64], chance: Floats) -> None:
    departs = truth > 0
    if departs.all() or not departs.any():
        axes.text(0.5, 0.5, "one kind only", ha="center", color=GREY)
        return
    curve = precision_recall(1 - chance[:, 0], departs)
    axes.step(curve.recall, curve.precision, where="pre", color=BLUE)
    axes.text(0.05, 0.08, f"AP {average_precision(1 - chance[:, 0], departs):.3f}", fontsize=8, color=INK)
    axes.set(xlim=(0, 1.02), ylim=(0, 1.05))
