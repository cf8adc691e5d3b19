"""`denim-triage train`: fits both networks to labelled folders and exports them, with every figure in mlflow.

A fifth of the sellers is kept back, always the same ones; the figures before and after are theirs.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path

import mlflow
import numpy as np

from pipeline.config import ReferenceSheet
from pipeline.train.backbone import pretrained
from pipeline.train.export import DETECTOR_SIDE_PX, export_detector, export_parts
from pipeline.train.fit_detector import fit_detector
from pipeline.train.fit_parts import fit_parts, predict, summary
from pipeline.train.folder_samples import cut_samples
from pipeline.train.judging import hash_of_folders
from pipeline.train.loop import Journal, Report, Schedule
from pipeline.train.networks import Detector, PartNetwork
from pipeline.train.weights import load_network, save_weights

OnProgress = Callable[[int, int], None]
Progress = Callable[[str], AbstractContextManager[OnProgress]]


@dataclass(frozen=True, slots=True)
class TrainOptions:
    """How to train.

    `start_from` is a folder with `detector.safetensors` and `parts.safetensors` to go on from; None starts from the
    ImageNet trunk.
    """

    epochs: int = 6
    start_from: Path | None = None
    seed: int = 0
    detector_batch: int = 8
    parts_batch: int = 32
    detector_lr: float = 5e-4
    parts_lr: float = 8e-4


def train(
    folders: Sequence[Path],
    out: Path,
    sheets: Mapping[str, ReferenceSheet],
    options: TrainOptions,
    progress: Progress,
) -> dict[str, float]:
    """Train on labelled folders and write weights, exported networks, cards and figures into `out`.

    Args:
        folders: labelled folders by the contract.
        out: where everything is written; `out/mlflow.db` holds the run.
        sheets: reference sheets by maker.
        options: epochs, start, rates.
        progress: gives a context whose value is called with (done, total).

    Returns:
        Figures on the sellers kept back.

    Raises:
        ValueError: if a folder cannot be read, or too little is in it.
    """
    work = out / "samples"
    counts = {}
    for name, held_out in (("fit", False), ("check", True)):
        with progress(f"cutting {name} samples") as tell:
            cut = cut_samples(
                folders, work / name, sheets, held_out=held_out, side_px=DETECTOR_SIDE_PX, on_progress=tell
            )
        counts[name] = cut
    mlflow.set_tracking_uri(f"sqlite:///{out / 'mlflow.db'}")
    mlflow.set_experiment("denim-triage")
    with mlflow.start_run():
        mlflow.log_params({
            "folders": " ".join(str(f) for f in folders), "data_hash": hash_of_folders(folders),
            "epochs": options.epochs,
            "seed": options.seed, "start_from": str(options.start_from or "ImageNet trunk"),
            "fit_photos": counts["fit"].photos, "fit_crops": counts["fit"].crops,
            "check_photos": counts["check"].photos, "check_crops": counts["check"].crops,
        })  # fmt: skip
        figures = _fit(work, out, options, counts["fit"].photos, counts["fit"].crops)
        mlflow.log_metrics({name.replace("/", "."): value for name, value in figures.items() if np.isfinite(value)})
        (out / "figures.json").write_text(json.dumps(figures, indent=1), encoding="utf-8")
        mlflow.log_artifact(str(out / "journal.jsonl"))
    return figures


def _fit(work: Path, out: Path, options: TrainOptions, photos: int, crops: int) -> dict[str, float]:
    journal = _logged(Journal(out / "journal.jsonl"))
    if options.start_from is None:
        detector, parts = Detector(pretrained()), PartNetwork(pretrained())
    else:
        detector = load_network(Detector, options.start_from / "detector.safetensors")
        parts = load_network(PartNetwork, options.start_from / "parts.safetensors")
    steps = {
        "detector": max(1, options.epochs * photos // options.detector_batch),
        "parts": max(1, options.epochs * crops // options.parts_batch),
    }
    before = summary(predict(parts, work / "check"))
    schedule = Schedule(steps["detector"], min(options.detector_batch, photos), options.detector_lr)
    detector = fit_detector(detector, work / "fit", schedule, journal, seed=options.seed)
    schedule = Schedule(steps["parts"], min(options.parts_batch, crops), options.parts_lr)
    parts = fit_parts(parts, work / "fit", schedule, journal, seed=options.seed)
    predictions = predict(parts, work / "check")
    save_weights(detector, out / "detector.safetensors")
    save_weights(parts, out / "parts.safetensors")
    np.savez_compressed(out / "val_predictions.npz", allow_pickle=False, **predictions)
    export_detector(out / "detector.safetensors", out)
    export_parts(out / "parts.safetensors", out)
    return {f"before/{k}": v for k, v in before.items()} | {f"after/{k}": v for k, v in summary(predictions).items()}


def _logged(journal: Journal) -> Report:
    """The journal, with the same numbers sent to mlflow."""

    def report(run: str, step: int, values: dict[str, float]) -> None:
        journal(run, step, values)
        mlflow.log_metrics({f"{run}.{k.replace('/', '.')}".replace(" ", "_"): v for k, v in values.items()}, step=step)

    return report
