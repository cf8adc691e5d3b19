"""The comparison of trainings as a table to read (Markdown), to compute with (JSON) and to look at (PNG)."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from pipeline.chart_colours import BLUE, GREY, INK, ORANGE
from pipeline.domain import CAUTION
from pipeline.train.columns import COLUMNS, Training
from pipeline.train.judging import Figures

_COLOURS = (BLUE, ORANGE, "#5B8C5A", "#8A4F7D", "#B0A030", "#4A7C8C")
_DPI = 130
Pick = Callable[[Figures], float | None]
SHOWN: Mapping[str, Pick] = {
    "detection AP": lambda f: f.ap,
    "detection AP50": lambda f: f.ap50,
    "mean AUROC of the cues": lambda f: f.mean_auroc,
    "queue AP, share of oracle": lambda f: f.queue_share,
    "ECE": lambda f: f.ece,
    "Cllr": lambda f: f.cllr,
}


@dataclass(frozen=True, slots=True)
class Cell:
    """One training on one row."""

    training: Training
    row: str
    figures: Figures


@dataclass(frozen=True, slots=True)
class Comparison:
    """All cells so far."""

    cells: tuple[Cell, ...]

    @property
    def columns(self) -> list[str]:
        """Names of the columns that occur, in the order of their table."""
        present = {cell.training.column for cell in self.cells}
        return [name for name in COLUMNS if name in present]

    @property
    def rows(self) -> list[str]:
        """Names of the rows, in the order met; the last is the second renderer's where there is one."""
        names = list(dict.fromkeys(cell.row for cell in self.cells))
        return sorted(names, key=lambda name: ("own" not in name, "look" not in name))

    def at(self, column: str, row: str) -> Figures | None:
        """A column's figures on a row: of the look that most columns hold out, where there are several trainings."""
        found = [cell for cell in self.cells if cell.training.column == column and cell.row == row]
        return max(found, key=lambda cell: self._held_out(cell.training.without_look)).figures if found else None

    def _held_out(self, look: str | None) -> int:
        return len({cell.training.column for cell in self.cells if cell.training.without_look == look})


def write_comparison(comparison: Comparison, out: Path) -> None:
    """Write `table.json`, `table.md` and `table.png` into a folder."""
    out.mkdir(parents=True, exist_ok=True)
    content = [
        {"training": str(cell.training), "title": COLUMNS[cell.training.column].title, "row": cell.row,
         "options": list(cell.training.options), **cell.figures.as_json()}
        for cell in comparison.cells
    ]  # fmt: skip
    (out / "table.json").write_text(json.dumps({"caution": CAUTION, "cells": content}, indent=1), encoding="utf-8")
    (out / "table.md").write_text(markdown(comparison), encoding="utf-8")
    draw_comparison(comparison, out / "table.png")


def markdown(comparison: Comparison) -> str:
    """A table of the main figures, then one of every cue's AUROC, both with a line a row and figure."""
    titles = [COLUMNS[name].title for name in comparison.columns]
    lines = []
    for row in comparison.rows:
        figures = [comparison.at(column, row) for column in comparison.columns]
        counts = next(f"{f.listings} listings, {f.counterfeit} counterfeit" for f in figures if f is not None)
        lines += [f"**{row}** ({counts})", "", *_head(titles)]
        lines += [_line(name, [None if f is None else pick(f) for f in figures]) for name, pick in SHOWN.items()]
        lines.append("")
        cues = dict.fromkeys(cue for f in figures if f is not None for cue in f.cue_auroc)
        lines += [f"AUROC of every cue, {row}", "", *_head(titles)]
        lines += [_line(cue, [None if f is None else f.cue_auroc.get(cue) for f in figures]) for cue in cues]
        lines.append("")
    return "\n".join(lines)


def _head(titles: Sequence[str]) -> list[str]:
    return [f"| | {' | '.join(titles)} |", f"| --- |{' --- |' * len(titles)}"]


def _line(name: str, values: Sequence[float | None]) -> str:
    return f"| {name} | {' | '.join('' if value is None else f'{value:.3f}' for value in values)} |"


def draw_comparison(comparison: Comparison, path: Path) -> None:
    """A panel a figure, a line of dots a row of the table, the columns side by side."""
    columns, rows = comparison.columns, comparison.rows
    figure = Figure(figsize=(10.5, 11.5), layout="constrained")
    FigureCanvasAgg(figure)
    panels = figure.subplots(3, 2, sharex=True)
    for axes, (name, pick) in zip(panels.ravel(), SHOWN.items(), strict=True):
        for i, row in enumerate(rows):
            found = [comparison.at(column, row) for column in columns]
            values = [np.nan if f is None or pick(f) is None else pick(f) for f in found]
            places = np.arange(len(columns)) + 0.12 * (i - (len(rows) - 1) / 2)
            axes.plot(places, values, "o", color=_COLOURS[i % len(_COLOURS)], label=row, markersize=6)
        axes.set_title(name, loc="left", color=INK, fontsize=10)
        axes.grid(axis="y", alpha=0.3)
        axes.spines[["top", "right"]].set_visible(False)
        axes.set_xticks(range(len(columns)), [COLUMNS[name].title for name in columns], rotation=40, ha="right")
    handles, labels = panels[0, 0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside upper left", ncols=3, frameon=False, fontsize=9)
    figure.supxlabel(CAUTION, fontsize=7, color=GREY)
    figure.savefig(path, dpi=_DPI)
