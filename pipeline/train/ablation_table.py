"""Packed trainings fitted, judged and set side by side; what is done already is not done again."""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.config import load_sheets
from pipeline.train.columns import Training, training_named
from pipeline.train.comparison import Cell, Comparison, write_comparison
from pipeline.train.judging import (
    Figures,
    Say,
    copy_configs,
    figures_from_json,
    figures_of,
    fit_to_folder,
    hash_of_files,
    hash_of_folders,
    is_labelled,
    judge,
    make_runnable,
    told_in_steps,
)
from pipeline.train.packing import packed_in, unpack
from synthetic.listings import SynthOptions, write_folder
from synthetic.looks import LOOKS

OWN, SECOND = "own renderer", "second renderer"
_DEPARTURE_RATE = 0.5


@dataclass(frozen=True, slots=True)
class Rows:
    """What the trainings are judged on: how many listings are drawn a row, and the second renderer's folders."""

    listings: int
    departed_listings: int
    fit_listings: int
    second_renderer: Path | None
    second_renderer_departed: Path | None
    seed: int


@dataclass(frozen=True, slots=True)
class _Row:
    """A row's folders: pairs as they come, and pairs in which every cue departs often (for the cues' figures)."""

    name: str
    natural: Path
    departed: Path | None

    @property
    def folders(self) -> list[Path]:
        return [folder for folder in (self.natural, self.departed) if folder is not None]


def make_table(
    packs: Path, rows: Rows, configs: Path, out: Path, workers: int, drawn_pairs: int, say: Say
) -> list[str]:
    """Judge every packed training on every row and write `table.json`, `table.md` and `table.png` into `out`.

    The table is written anew after every training, so that a look at it need not wait for the last.

    Args:
        packs: folder of packed trainings.
        rows: what to judge on.
        configs: sheets, and the evidence that fitting starts from.
        out: keeps drawn folders, fitted networks and figures; a second call goes on from them.
        workers: processes.
        drawn_pairs: see `fit_evidence`.
        say: told what is being done.

    Returns:
        What went wrong, a line a training; the others are in the table.

    Raises:
        ValueError: if nothing is packed there, or a name is none of a training.
    """
    found = {training_named(name): files for name, files in packed_in(packs).items()}
    if not found:
        raise ValueError(f"{packs}: holds no packed training (NAME.tar.xz); make some with `fit`")
    wrong: list[str] = []
    cells: list[Cell] = []
    for count, (training, files) in enumerate(found.items(), 1):
        tell = _numbered(say, count, len(found), training)
        try:
            judged = _judge_training(training, files, rows, configs, out, workers, drawn_pairs, tell)
        except (ValueError, OSError) as err:
            wrong.append(f"{training}: {err}")
            continue
        cells += [Cell(training, name, figures) for name, figures in judged.items()]
        write_comparison(Comparison(tuple(cells)), out)
    return wrong


def _numbered(say: Say, count: int, total: int, training: Training) -> Say:
    return lambda line: say(f"[{count} of {total}] {training}: {line}")


def _judge_training(
    training: Training, files: Sequence[Path], rows: Rows, configs: Path, out: Path, workers: int, pairs: int, say: Say
) -> dict[str, Figures]:
    """Figures by row; fitting and every row are looked up where they were done with the same weights and labels."""
    home = out / "trainings" / str(training)
    folders = _Folders(out / "folders", configs, rows, workers, say)
    fit_folder = folders.to_fit(training.without_look)
    models, fitted = home / "models", home / "configs"
    key = f"{hash_of_files(files)} {hash_of_folders([fit_folder])} {pairs}"
    if not _is_done(home / "fitted.json", key):
        say("exporting")
        weights = home / "weights"
        unpack(list(files), weights)
        _remove_cards(models)
        predictions = weights / "val_predictions.npz"
        make_runnable(weights, models, predictions if predictions.exists() else None)
        copy_configs(configs, fitted)
        fit_to_folder(models, fitted, fit_folder, workers, pairs, say)
        _note_done(home / "fitted.json", key, {})
    return {
        row.name: _judge_row(row, key, models, fitted, home / "rows" / row.name, workers, say)
        for row in folders.rows_of(training)
    }


def _judge_row(row: _Row, fitted: str, models: Path, configs: Path, out: Path, workers: int, say: Say) -> Figures:
    key = f"{fitted} {hash_of_folders(row.folders)}"
    if _is_done(out / "figures.json", key):
        return figures_from_json(json.loads((out / "figures.json").read_text(encoding="utf-8"))["figures"])
    metrics = [
        judge(folder, models, configs, out / place, workers, told_in_steps(say, f"{row.name}, {place}", 10, "photos"))
        for folder, place in zip(row.folders, ("natural", "departed"), strict=False)
    ]
    figures = figures_of(metrics[0], metrics[1] if len(metrics) > 1 else None)
    _note_done(out / "figures.json", key, {"figures": figures.as_json()})
    return figures


def _remove_cards(models: Path) -> None:
    """Cards of earlier weights: what was fitted to those must not be kept."""
    for name in ("detector.yaml", "parts.yaml"):
        (models / name).unlink(missing_ok=True)


def _is_done(path: Path, key: str) -> bool:
    return path.exists() and json.loads(path.read_text(encoding="utf-8"))["key"] == key


def _note_done(path: Path, key: str, content: Mapping[str, Any]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps({"key": key, **content}, indent=1), encoding="utf-8")


class _Folders:
    """Labelled folders for fitting and judging; drawn where they are not there yet."""

    def __init__(self, home: Path, configs: Path, rows: Rows, workers: int, say: Say) -> None:
        self.home, self.rows, self.workers, self.say = home, rows, workers, say
        self.sheet = next(iter(load_sheets(configs).values()))

    def to_fit(self, without_look: str | None) -> Path:
        """Listings in the looks that were trained on."""
        return self._drawn("fit", _others(without_look), self.rows.fit_listings, 0, None)

    def rows_of(self, training: Training) -> list[_Row]:
        """The rows that say something of a training: a look is a row only where it was held out."""
        rows, others = self.rows, _others(training.without_look)
        out = [self._row(OWN, "own", others, 1)]
        if training.without_look is not None:
            out.append(self._row(f"look {training.without_look} held out", "look", (training.without_look,), 3))
        if rows.second_renderer is not None:
            out.append(_Row(SECOND, rows.second_renderer, rows.second_renderer_departed))
        return out

    def _row(self, name: str, kind: str, looks: tuple[str, ...], seed: int) -> _Row:
        natural = self._drawn(kind, looks, self.rows.listings, seed, None)
        if self.rows.departed_listings <= 0:
            return _Row(name, natural, None)
        departed = self._drawn(f"{kind}_departed", looks, self.rows.departed_listings, seed + 1, _DEPARTURE_RATE)
        return _Row(name, natural, departed)

    def _drawn(self, kind: str, looks: tuple[str, ...], count: int, seed: int, departure_rate: float | None) -> Path:
        folder = self.home / f"{kind}_{'_'.join(looks)}_{count}"
        if is_labelled(folder):
            return folder
        options = SynthOptions(departure_rate=departure_rate, looks=looks)
        tell = told_in_steps(self.say, f"drawing {folder.name}", 10, "listings")
        unfinished = folder.with_name(f"{folder.name}.unfinished")
        shutil.rmtree(unfinished, ignore_errors=True)
        write_folder(
            unfinished, listings=count, seed=self.rows.seed + seed, sheet=self.sheet, options=options, on_progress=tell,
            workers=self.workers,
        )  # fmt: skip
        unfinished.rename(folder)
        return folder


def _others(without_look: str | None) -> tuple[str, ...]:
    return tuple(look for look in LOOKS if look != without_look)
