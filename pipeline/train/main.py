"""`denim-triage train`: fits both networks to labelled folders and exports them, with every figure in mlflow.

A fifth of the sellers is kept back, always the same ones; the figures before and after are theirs. With few photos
of another look: start from trained weights, freeze the trunk's first stages, mix in as many photos of the old look.
"""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import mlflow
import numpy as np
import yaml
from numpy.typing import NDArray
from torch import nn

from pipeline.classify.digit_reader import DIGITS
from pipeline.classify.heads import HEADS
from pipeline.config import ReferenceSheet
from pipeline.model_files import PartsCard, read_card
from pipeline.train.backbone import pretrained
from pipeline.train.export import DETECTOR_SIDE_PX, export_detector, export_parts, save_card
from pipeline.train.fit_detector import fit_detector
from pipeline.train.fit_evidence import update_card
from pipeline.train.fit_parts import fit_parts, predict, summary
from pipeline.train.folder_samples import FolderSamples, cut_samples
from pipeline.train.head_pictures import chances_by_head, draw_heads
from pipeline.train.judging import fit_temperatures, hash_of_folders
from pipeline.train.listing_subsets import first_with_photos, listings_in, shuffled, write_subset
from pipeline.train.loop import Journal, Report, Schedule
from pipeline.train.networks import Detector, PartNetwork
from pipeline.train.weights import average_with, load_network, save_weights
from pipeline.train.where_it_ran import environment, git_commit

OnProgress = Callable[[int, int], None]
Progress = Callable[[str], AbstractContextManager[OnProgress]]
_EXPERIMENT = "denim-triage"


@dataclass(frozen=True, slots=True)
class TrainOptions:
    """How to train.

    `start_from` is a folder with `detector.safetensors` and `parts.safetensors` to go on from; None starts from the
    ImageNet trunk. `keeps_back` False trains on every seller, and there are no figures. `freezes_early` leaves the
    trunk's first stages as they are, which saves a third to a half of the time. `mixed_with` is a labelled folder of
    which as many photos are trained on as of the others, so that what was learned before is kept.
    `averages_with_start` ends with the mean of the weights before and after, which forgets less (Wortsman et al. 2022,
    Robust fine-tuning of zero-shot models). `keeps_detector` leaves the detector as it is where training starts from.
    """

    epochs: int = 6
    start_from: Path | None = None
    seed: int = 0
    keeps_back: bool = True
    freezes_early: bool = False
    mixed_with: Path | None = None
    averages_with_start: bool = False
    keeps_detector: bool = False
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
        out: where everything is written; `out/mlflow.db` holds the run, `out/artifacts` its files.
        sheets: reference sheets by maker.
        options: epochs, start, rates.
        progress: gives a context whose value is called with (done, total).

    Returns:
        Figures on the sellers kept back.

    Raises:
        ValueError: if a folder cannot be read, or too little is in it.
    """
    work = out / "samples"
    _check_start(options)
    counts = {}
    for name, held_out in _parts_of(options).items():
        whole = folders if name == "check" else _with_mixed(folders, options, work)
        with progress(f"cutting {name} samples") as tell:
            cut = cut_samples(whole, work / name, sheets, held_out=held_out, side_px=DETECTOR_SIDE_PX, on_progress=tell)
        counts[name] = cut
    with mlflow.start_run(experiment_id=_experiment(out)):
        mlflow.log_params({
            "folders": " ".join(str(f) for f in folders), "data_hash": hash_of_folders(folders),
            "git_commit": git_commit(),
            "epochs": options.epochs,
            "seed": options.seed, "start_from": str(options.start_from or "ImageNet trunk"),
            "freezes_early": options.freezes_early, "mixed_with": str(options.mixed_with),
            "averages_with_start": options.averages_with_start,
            "keeps_detector": options.keeps_detector,
            **{f"{name}_photos": cut.photos for name, cut in counts.items()},
            **{f"{name}_crops": cut.crops for name, cut in counts.items()},
        })  # fmt: skip
        figures = _fit(work, out, options, counts["fit"], progress)
        mlflow.log_metrics({name.replace("/", "."): value for name, value in figures.items() if np.isfinite(value)})
        (out / "figures.json").write_text(json.dumps(figures, indent=1), encoding="utf-8")
        mlflow.log_artifact(str(out / "journal.jsonl"))
        mlflow.log_text(environment(), "environment.txt")
    return figures


def _experiment(out: Path) -> str:
    """Where runs are kept from now on: in `out`, files too, whatever folder this was started in."""
    mlflow.set_tracking_uri(f"sqlite:///{out / 'mlflow.db'}")
    known = mlflow.get_experiment_by_name(_EXPERIMENT)
    if known is not None:
        return str(known.experiment_id)
    return str(mlflow.create_experiment(_EXPERIMENT, artifact_location=(out / "artifacts").resolve().as_uri()))


def _check_start(options: TrainOptions) -> None:
    """Before any long work: whether what is to be gone on from is there."""
    if options.start_from is None:
        if options.keeps_detector:
            raise ValueError("there is no detector to keep: name the weights to go on from")
        if options.averages_with_start:
            raise ValueError("there are no weights to average with: name the weights to go on from")
        return
    for name in ("detector", "parts"):
        path = options.start_from / f"{name}.safetensors"
        if not path.is_file():
            raise ValueError(f"{path}: there are no weights to go on from")


def _parts_of(options: TrainOptions) -> dict[str, bool | None]:
    """What the folders are cut into, and whether of the sellers kept back (None: of all)."""
    return {"fit": False, "check": True} if options.keeps_back else {"fit": None}


def _with_mixed(folders: Sequence[Path], options: TrainOptions, work: Path) -> list[Path]:
    """The folders, and as many photos again of the one that is mixed in."""
    if options.mixed_with is None:
        return list(folders)
    wanted = sum(listing.photos for folder in folders for listing in listings_in(folder))
    chosen = first_with_photos(shuffled(listings_in(options.mixed_with), options.seed), wanted)
    return [*folders, write_subset(options.mixed_with, chosen, work / "mixed")]


def _fit(work: Path, out: Path, options: TrainOptions, cut: FolderSamples, progress: Progress) -> dict[str, float]:
    detector, parts = _networks(options)
    journal = Journal(out / "journal.jsonl", is_quiet=True)
    before = summary(predict(parts, work / "check")) if options.keeps_back else {}
    if options.start_from is not None:
        _keep_what_was_fitted(options.start_from, out)
    if options.start_from is not None and options.keeps_detector:
        for path in options.start_from.glob("detector.*"):
            shutil.copyfile(path, out / path.name)
    else:
        _fit_detector(detector, work, out, options, cut.photos, journal, progress)
    schedule = _schedule(options.epochs, cut.crops, options.parts_batch, options.parts_lr)
    with progress("fitting the part network") as tell:
        parts = fit_parts(parts, work / "fit", schedule, _logged(journal, tell), seed=options.seed)
        tell(100, 100)
    _save_and_export(parts, out / "parts.safetensors", options, export_parts)
    if not options.keeps_back:
        return {}
    predictions = predict(parts, work / "check")
    np.savez_compressed(out / "val_predictions.npz", allow_pickle=False, **predictions)
    after = summary(predictions)
    _fit_to_sellers_kept_back(out, predictions, after)
    _log_heads(out, predictions)
    return {f"before/{k}": v for k, v in before.items()} | {f"after/{k}": v for k, v in after.items()}


def _fit_detector(
    detector: Detector, work: Path, out: Path, options: TrainOptions, photos: int, journal: Journal, progress: Progress
) -> None:
    schedule = _schedule(options.epochs, photos, options.detector_batch, options.detector_lr)
    with progress("fitting the detector") as tell:
        fitted = fit_detector(detector, work / "fit", schedule, _logged(journal, tell), seed=options.seed)
        tell(100, 100)
    _save_and_export(fitted, out / "detector.safetensors", options, export_detector)


def _save_and_export(
    network: nn.Module, weights: Path, options: TrainOptions, export: Callable[[Path, Path], None]
) -> None:
    """Averaged with the weights of that name that training went on from, if that is wanted; saved, then exported."""
    if options.averages_with_start and options.start_from is not None:
        average_with(network, options.start_from / weights.name)
    save_weights(network, weights)
    export(weights, weights.parent)


def _keep_what_was_fitted(start: Path, out: Path) -> None:
    """Cards whose fitted values the export keeps; what they tell people is of the weights before, and left out.

    The digit reader goes along: it reads what the part network points at, whichever that is.
    """
    for name in ("detector.yaml", "parts.yaml"):
        if (start / name).is_file() and not (out / name).exists():
            card = yaml.safe_load((start / name).read_text(encoding="utf-8"))
            save_card(out / name, {key: value for key, value in card.items() if key != "about"})
    for path in start.glob(f"{DIGITS}.*"):
        shutil.copyfile(path, out / path.name)


def _fit_to_sellers_kept_back(out: Path, predictions: Mapping[str, NDArray[Any]], figures: Mapping[str, float]) -> None:
    """Temperatures, where there are enough crops, and for people how well each head tells parts apart."""
    fit_temperatures(out, predictions)
    card = read_card(out, "parts", PartsCard)
    found = {head.name: round(figures[key], 4) for head in HEADS if (key := f"auroc/{head.name}") in figures}
    update_card(out, "parts", PartsCard, {"about": {**card.about, "auroc_held_out": found}})


def _log_heads(out: Path, predictions: Mapping[str, NDArray[Any]]) -> None:
    """Into the run that is open: how good each head is where a person could judge, at the temperatures just fitted."""
    answers = np.where(predictions["seen"] == 1, predictions["answers"], -1).astype(np.int64)
    chances = chances_by_head(predictions["out_answers"], answers, read_card(out, "parts", PartsCard).temperature)
    with tempfile.TemporaryDirectory() as pictures:
        draw_heads(chances, Path(pictures))
        mlflow.log_artifacts(pictures, "pictures")


def _networks(options: TrainOptions) -> tuple[Detector, PartNetwork]:
    """What training starts from."""
    if options.start_from is None:
        detector, parts = Detector(pretrained()), PartNetwork(pretrained())
    else:
        detector = load_network(Detector, options.start_from / "detector.safetensors")
        parts = load_network(PartNetwork, options.start_from / "parts.safetensors")
    if options.freezes_early:
        detector.trunk.freeze_early()
        parts.trunk.freeze_early()
    return detector, parts


def _schedule(epochs: int, samples: int, batch: int, peak_lr: float) -> Schedule:
    """So many passes over the samples; with fewer samples than a batch holds, batches are smaller."""
    return Schedule(max(2, epochs * samples // batch), min(batch, samples), peak_lr)


def _logged(journal: Journal, tell: OnProgress) -> Report:
    """The journal, with the same numbers sent to mlflow, and how far it is told as per cent."""

    def report(run: str, step: int, values: dict[str, float]) -> None:
        journal(run, step, values)
        mlflow.log_metrics({f"{run}.{k.replace('/', '.')}".replace(" ", "_"): v for k, v in values.items()}, step=step)
        tell(int(100 * values.get("progress", 0)), 100)

    return report
