"""Trained weights made ready to run and judged on labelled folders: the same steps for whoever compares trainings."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.config import load_evidence, load_sheets
from pipeline.evaluate import evaluate_run
from pipeline.intake import check_against_sheets, read_listings
from pipeline.model_files import DetectorCard, PartsCard, read_card
from pipeline.scan import scan_listings
from pipeline.train.export import export_detector, export_parts
from pipeline.train.fit_evidence import fit_boxes, fit_evidence, fit_heads, update_card

Say = Callable[[str], None]
OnProgress = Callable[[int, int], None]
_TABLES = ("listings.jsonl", "parts.coco.json", "truth.jsonl")


def told_in_steps(say: Say, label: str, times: int, things: str = "") -> OnProgress:
    """Says about so many times in all how many things are done."""
    told = -1

    def tell(done: int, total: int) -> None:
        nonlocal told
        step = done * times // max(1, total)
        if step > told:
            told = step
            say(f"{label}: {done} of {total} {things}".rstrip())

    return tell


@dataclass(frozen=True, slots=True)
class Figures:
    """What a row of a comparison says; None where it could not be judged.

    `cue_auroc` is by cue, `mean_auroc` their mean; `queue_share` is the queue's average precision as a share of the
    oracle's; `cllr` is the cost of the likelihood ratios in bits.
    """

    ap: float | None
    ap50: float | None
    mean_auroc: float | None
    queue_share: float | None
    ece: float | None
    cllr: float | None
    cue_auroc: Mapping[str, float]
    listings: int
    counterfeit: int

    def as_json(self) -> dict[str, Any]:
        """As it is written down."""
        return asdict(self)


def figures_from_json(content: Mapping[str, Any]) -> Figures:
    """What `as_json` wrote down."""
    return Figures(**content)


def figures_of(metrics: Mapping[str, Any], cue_metrics: Mapping[str, Any] | None = None) -> Figures:
    """The figures out of what `evaluate_run` returns.

    Args:
        metrics: of a folder in which pairs depart as they do in life; the queue's and the detector's figures.
        cue_metrics: of a folder in which every cue departs often, for the cues' figures; the same folder if None.
    """
    queue = metrics["queue"]
    rows = (metrics if cue_metrics is None else cue_metrics)["cues"]
    cues = {cue: float(row["auroc"]) for cue, row in rows.items() if row["auroc"] is not None}
    return Figures(
        ap=metrics["detection"]["ap"],
        ap50=metrics["detection"]["ap50"],
        mean_auroc=float(np.mean(list(cues.values()))) if cues else None,
        queue_share=queue.get("share_of_oracle"),
        ece=queue.get("ece"),
        cllr=queue.get("cllr"),
        cue_auroc=cues,
        listings=int(queue["listings"]),
        counterfeit=int(queue.get("counterfeit", 0)),
    )


def make_runnable(weights: Path, models: Path, predictions: Path | None = None) -> None:
    """Export both networks of a folder of weights; temperatures are fitted where held-out predictions are given.

    Args:
        weights: holds `detector.safetensors` and `parts.safetensors`.
        models: where the networks and cards are written; cards already there keep what was fitted.
        predictions: as `predict` gives them, saved as npz.
    """
    export_detector(weights / "detector.safetensors", models)
    export_parts(weights / "parts.safetensors", models)
    if predictions is not None:
        with np.load(predictions) as held_out:
            fit_temperatures(models, held_out)


def fit_temperatures(models: Path, predictions: Mapping[str, Any]) -> None:
    """Fit the part network's temperatures to held-out predictions, as `predict` gives them; its card is changed."""
    update_card(models, "parts", PartsCard, fit_heads(predictions, read_card(models, "parts", PartsCard)))


def fit_to_folder(models: Path, configs: Path, folder: Path, workers: int, drawn_pairs: int, say: Say) -> None:
    """Fit least scores and box weights (cards in `models`) and the evidence (in `configs`) to a labelled folder."""
    say("fitting boxes")
    scores, weights = fit_boxes(folder, models, workers)
    update_card(models, "detector", DetectorCard, {"least_score": scores})
    update_card(models, "parts", PartsCard, {"box_weight": weights})
    say("fitting the evidence")
    fitted = fit_evidence(folder, models, configs, drawn_pairs, workers)
    (configs / "evidence.yaml").write_text(fitted.text, encoding="utf-8")


def copy_configs(configs: Path, out: Path) -> None:
    """Sheets and evidence to a folder in which the evidence may be fitted anew."""
    out.mkdir(parents=True, exist_ok=True)
    for path in configs.glob("*.yaml"):
        shutil.copy(path, out / path.name)


def judge(
    folder: Path, models: Path, configs: Path, out: Path, workers: int, on_progress: OnProgress
) -> dict[str, Any]:
    """Scan a labelled folder and score the run.

    Args:
        folder: the labelled folder.
        models: networks with their cards.
        configs: sheets and evidence.
        out: where `metrics.json` and its pictures are written.
        workers: processes.
        on_progress: called with (photos done, photos in all).

    Returns:
        What `metrics.json` holds.

    Raises:
        ValueError: if the folder is not a labelled folder.
    """
    sheets, evidence = load_sheets(configs), load_evidence(configs / "evidence.yaml")
    listings, _ = read_listings(folder / "listings.jsonl")
    known, _ = check_against_sheets(listings, sheets)
    result = scan_listings(known, folder, sheets, evidence, models, workers, on_progress)
    return evaluate_run(folder, result.assessments, result.parts, out, sheets=sheets, evidence=evidence)


def hash_of_folders(folders: Sequence[Path]) -> str:
    """SHA-256 over labelled folders' tables: the same labels, the same hash.

    Raises:
        OSError: if a table cannot be read.
    """
    return hash_of_files([folder / name for folder in folders for name in _TABLES])


def hash_of_files(files: Sequence[Path]) -> str:
    """SHA-256 over the files' contents in their order."""
    digest = hashlib.sha256()
    for file in files:
        digest.update(file.read_bytes())
    return digest.hexdigest()


def is_labelled(folder: Path) -> bool:
    """Whether a labelled folder's three tables are there."""
    return all((folder / name).is_file() for name in _TABLES)
