"""Crops in rows with words under them: a sheet to look at."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from textwrap import wrap

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from numpy.typing import NDArray

from pipeline.chart_colours import GREY, INK, ORANGE
from pipeline.domain import CAUTION
from pipeline.improve.crops import Crop, pictures_of

_COLUMNS, _TILE_IN, _WORDS_IN, _WIDTH = 5, 2.3, 0.75, 34


@dataclass(frozen=True, slots=True, eq=False)
class Tile:
    """A crop with its caption, and what is to be noticed, in another colour."""

    crop: Crop
    caption: str
    notice: str


def draw_sheet(tiles: Sequence[Tile], title: str, path: Path) -> None:
    """Draw the tiles in their order; none gives a sheet that says so."""
    pictures = dict(pictures_of([tile.crop for tile in tiles]))
    rows = max(1, -(-len(tiles) // _COLUMNS))
    figure = Figure(figsize=(_COLUMNS * _TILE_IN, rows * (_TILE_IN + _WORDS_IN) + 1.0), layout="constrained")
    FigureCanvasAgg(figure)
    places = figure.subplots(rows, _COLUMNS, squeeze=False).ravel()
    for axes in places:
        axes.set_axis_off()
    for number, tile in enumerate(tiles):
        _draw_tile(places[number], tile, pictures.get(number))
    said = title if tiles else f"{title}: none"
    figure.suptitle(said, x=0.01, ha="left", color=INK, fontsize=13)
    figure.supxlabel(CAUTION, fontsize=7, color=GREY)
    figure.savefig(path, dpi=100)


def _draw_tile(axes: Axes, tile: Tile, pixels: NDArray[np.uint8] | None) -> None:
    words = "\n".join(wrap(tile.caption, _WIDTH))
    axes.imshow(np.full((8, 8, 3), 128, np.uint8) if pixels is None else pixels)
    axes.text(0, -0.03, words, transform=axes.transAxes, va="top", fontsize=7, color=INK)
    axes.set_title("\n".join(wrap(tile.notice, _WIDTH - 4)), fontsize=8, color=ORANGE, loc="left")
