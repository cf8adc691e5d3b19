"""The picture of colour cues under lamps: what the camera shows, and how well each cue is still told."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure, SubFigure
from numpy.typing import NDArray

from pipeline.chart_colours import BLUE, GREY, INK, ORANGE
from pipeline.domain import CAUTION
from pipeline.evaluate.lamp_figures import CueUnderLamp

_LINES: Sequence[tuple[str, str, str, str, str]] = (  # camera, correction, label, colour, dashes
    ("fixed at daylight", "none", "daylight balance, as it comes", INK, "-"),
    ("fixed at daylight", "grey world", "corrected by grey world", ORANGE, "-"),
    ("fixed at daylight", "beyond denim", "corrected beyond what denim explains", BLUE, "-"),
    ("fixed at daylight", "true light", "corrected by the true light", BLUE, ":"),
    ("imperfect", "none", "imperfect balance, as it comes", INK, ":"),
)
_COLUMNS = 3
_LEAST_LOSS = 1e-4
_DPI = 130


def draw_lamps(
    path: Path,
    lamps: Sequence[str],
    examples: Mapping[str, Sequence[NDArray[np.uint8]]],
    figures: Sequence[CueUnderLamp],
) -> None:
    """Draw one crop of each part under every lamp, and each cue's log loss by lamp.

    Args:
        path: of the PNG.
        lamps: names, in order.
        examples: by part, one crop a lamp, sRGB uint8.
        figures: of `lamps`; others are left out.
    """
    figure = Figure(figsize=(9.5, 12.2), layout="constrained")
    FigureCanvasAgg(figure)
    halves = figure.subfigures(2, 1, squeeze=False, height_ratios=(1.25, 1))
    top, bottom = halves[0, 0], halves[1, 0]
    _draw_examples(top, lamps, examples)
    cues = list(dict.fromkeys(f.cue for f in figures))
    all_axes = np.atleast_1d(bottom.subplots(-(-len(cues) // _COLUMNS), _COLUMNS, sharex=True, sharey=True)).ravel()
    for axes in all_axes[len(cues) :]:
        axes.set_axis_off()
    for axes, cue in zip(all_axes, cues, strict=False):
        _draw_cue(axes, lamps, [f for f in figures if f.cue == cue])
    handles, labels = all_axes[0].get_legend_handles_labels()
    bottom.legend(handles, labels, loc="outside lower center", ncols=2, frameon=False, fontsize=8)
    bottom.suptitle("Log loss of each colour cue (lower is better)", x=0.01, ha="left", color=INK)
    figure.supxlabel(CAUTION, fontsize=7, color=GREY)
    figure.savefig(path, dpi=_DPI)


def _draw_examples(
    figure: SubFigure, lamps: Sequence[str], examples: Mapping[str, Sequence[NDArray[np.uint8]]]
) -> None:
    """A row a part, a column a lamp."""
    figure.suptitle("The same crops, seen by a camera that keeps its daylight balance", x=0.01, ha="left", color=INK)
    grid = figure.subplots(len(examples), len(lamps), squeeze=False)
    for row, (part, crops) in zip(grid, examples.items(), strict=True):
        for axes, crop in zip(row, crops, strict=True):
            axes.imshow(crop)
            axes.set_xticks([])
            axes.set_yticks([])
            axes.spines[:].set_visible(False)
        row[0].set_ylabel(str(part).replace("_", " "), color=INK)
    for axes, lamp in zip(grid[0], lamps, strict=True):
        axes.set_title(lamp, fontsize=10, color=INK)


def _draw_cue(axes: Axes, lamps: Sequence[str], figures: Sequence[CueUnderLamp]) -> None:
    """One cue's log loss by lamp, a line a way of treating the photo."""
    by_key = {(f.balance, f.correction, f.lamp): f for f in figures}
    for balance, correction, label, colour, dashes in _LINES:
        losses = [max(by_key[balance, correction, lamp].log_loss, _LEAST_LOSS) for lamp in lamps]
        axes.plot(range(len(lamps)), losses, dashes, marker="o", markersize=3, color=colour, label=label)
    axes.set_yscale("log")
    axes.set_xticks(range(len(lamps)), lamps, fontsize=8)
    axes.grid(axis="y", color="#E3E6EA")
    axes.spines[["top", "right"]].set_visible(False)
    lowest = min(by_key["fixed at daylight", "none", lamp].auroc for lamp in lamps)
    title = f"{figures[0].cue.replace('_', ' ')}, {figures[0].crops} crops, AUROC from {lowest:.3f}"
    axes.set_title(title, loc="left", fontsize=8.5, color=INK)
