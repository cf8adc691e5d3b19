"""What mlflow keeps of heads learned anew: curves, pictures of how good they are, mistakes, and where it ran."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

import mlflow
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from pipeline.chart_colours import BLUE, GREY, ORANGE
from pipeline.classify.heads import HEADS
from pipeline.domain import CAUTION
from pipeline.improve.crop_sheet import Tile, draw_sheet
from pipeline.improve.crops import Crop
from pipeline.train.head_pictures import Chances, draw_heads
from pipeline.train.where_it_ran import environment

_MOST_MISTAKES = 30


def log_pictures(
    curves: Sequence[Mapping[str, float]],
    crops: Sequence[Crop],
    chances: Mapping[str, Chances],
) -> None:
    """Draw everything into the run that is open.

    Args:
        curves: a row an epoch.
        crops: what was checked on.
        chances: by head the crops' places (n,), their true answers (n,), and the chances given (n, answers).
    """
    with tempfile.TemporaryDirectory() as name:
        out = Path(name)
        _draw_curves(out / "curves.png", curves)
        draw_heads(chances, out)
        draw_sheet(_mistakes(crops, chances), "Answers that were wrong, the surest first", out / "mistakes.png")
        mlflow.log_artifacts(name, "pictures")
    mlflow.log_text(environment(), "environment.txt")


def _mistakes(crops: Sequence[Crop], chances: Mapping[str, Chances]) -> list[Tile]:
    found: list[tuple[float, Tile]] = []
    for head in HEADS:
        for place, truth, chance in zip(*chances.get(head.name, ((), (), ())), strict=True):
            said = int(np.argmax(chance))
            if said != truth:
                notice = f"said {head.answers[said].replace('_', ' ')} ({chance[said]:.0%})"
                caption = f"{head.name}: truly {head.answers[truth]}; {crops[place].of.listing.listing_id}"
                found.append((float(chance[said]), Tile(crops[place], caption.replace("_", " "), notice)))
    found.sort(key=lambda row: -row[0])
    return [tile for _, tile in found[:_MOST_MISTAKES]]


def _draw_curves(path: Path, curves: Sequence[Mapping[str, float]]) -> None:
    figure = Figure(figsize=(7, 4.4), layout="constrained")
    FigureCanvasAgg(figure)
    axes, epochs = figure.add_subplot(), range(1, len(curves) + 1)
    axes.plot(epochs, [row["fit_loss"] for row in curves], color=BLUE, label="loss on what is learned, with dropout")
    if curves and "check_loss" in curves[-1]:
        axes.plot(epochs, [row["check_loss"] for row in curves], color=ORANGE, label="loss on sellers kept back")
    axes.set(xlabel="epoch", ylabel="loss", ylim=(0, None))
    axes.legend(frameon=False)
    figure.supxlabel(CAUTION, fontsize=7, color=GREY)
    figure.savefig(path, dpi=110)
