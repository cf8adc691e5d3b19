"""From labelled folders to a candidate on the shelf: heads, temperatures and evidence, all in one bundle."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import mlflow
import numpy as np

from pipeline.classify.heads import HEADS
from pipeline.config import EvidenceConfig, HeadsRecipe, ReferenceSheet
from pipeline.domain import Listing, ListingReadings
from pipeline.evaluate.labelled import PairTruth
from pipeline.evidence import as_fitted
from pipeline.improve.as_they_come import refuse_if_gathered_to_train
from pipeline.improve.bundle import (
    FittedEvidence,
    fit_temperatures_of_heads,
    kept_as_it_was,
    refit_evidence,
    write_fitted,
    write_networks,
)
from pipeline.improve.crops import Crop, Features, OnProgress, Progress, crops_of
from pipeline.improve.dataset import Dataset, Side, frozen_sets, refuse_frozen
from pipeline.improve.run_record import log_pictures
from pipeline.improve.shelf import CANDIDATE, OnShelf, Shelf
from pipeline.improve.told_apart import with_measured
from pipeline.improve.train_heads import LabelledTokens, figures, ready, told, work_folder
from pipeline.improve.which_heads import relearned_heads
from pipeline.intake import check_against_sheets
from pipeline.model_files import PartsCard, models_id, read_card, read_fitted, sha256_of
from pipeline.scan import Pool, look_at_listings
from pipeline.train.fit_evidence import update_card
from pipeline.train.head_pictures import Chances, chances_by_head
from pipeline.train.networks import PartNetwork
from pipeline.train.where_it_ran import git_commit


@dataclass(frozen=True, slots=True)
class House:
    """What a training stands on: makers' sheets, the moderators' evidence, the folder of the shelf, processes."""

    sheets: Mapping[str, ReferenceSheet]
    evidence: EvidenceConfig
    shelf_dir: Path
    workers: int


@dataclass(frozen=True, slots=True)
class Learned:
    """A candidate: the dataset's version, crops learned from and checked on, the heads' figures before and after.

    `heads`: those that gain; the others are as before. `unrehearsed`: makers that have a sheet but no crop among those
    learned from, so that they may be unlearned.
    """

    candidate: OnShelf
    version: str
    fit_crops: int
    check_crops: int
    before: Mapping[str, float]
    after: Mapping[str, float]
    evidence: str
    heads: tuple[str, ...]
    unrehearsed: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Material:
    """Crops of both sides with their tokens."""

    fit: LabelledTokens
    check: LabelledTokens
    check_crops: tuple[Crop, ...]


def relearn(
    data: Dataset,
    nights: Dataset,
    start: Path,
    shelf: Shelf,
    house: House,
    recipe: HeadsRecipe,
    progress: Progress,
) -> Learned:
    """Train a candidate and put it on the shelf.

    Args:
        data: labelled listings to learn from; a fifth of their sellers is kept back to check on.
        nights: listings to fit the evidence to, pairs as they come in; empty: those kept back.
        start: the bundle or folder of networks to go on from.
        shelf: where the candidate goes.
        house: sheets, evidence, folder, processes.
        recipe: how to train.
        progress: gives a context whose value is called with (done, total).

    Raises:
        FrozenTouched: if a frozen test set is among the listings.
        ValueError: if there is nothing to learn from, or the evidence would be fitted to listings in which genuine
            pairs depart far too often.
    """
    for part in (data, nights):
        refuse_frozen(part, frozen_sets(house.shelf_dir))
    to_fit_to = _unlearned(data, nights)
    if _kept(to_fit_to, house.evidence, recipe) is None:  # said before minutes are spent on training
        refuse_if_gathered_to_train(to_fit_to, house.evidence, house.sheets)
    features = Features(start, house.shelf_dir / "features")
    material = _material(data, house, features, progress)
    card = read_card(start, "parts", PartsCard)
    work = work_folder(house.shelf_dir, sha256_of(start / "parts.safetensors"), data.version, recipe)
    mlflow.set_experiment(experiment_id=shelf.experiment)
    with mlflow.start_run(run_name=f"heads on {data.version}") as run:
        _log_settings(data, nights, start, recipe, material)
        before = figures(features.network, material.check, "check")
        curves: list[Mapping[str, float]] = []

        def on_epoch(epoch: int, row: Mapping[str, float]) -> None:
            curves.append(row)
            mlflow.log_metrics(dict(row), step=epoch)

        network, gains = relearned_heads(
            features.network, material.fit, material.check, recipe, card, work, on_epoch, progress
        )
        learned = tuple(head.name for head, gained in zip(HEADS, gains, strict=True) if gained)
        mlflow.log_param("heads_that_gain", ", ".join(learned) or "none")
        after = figures(network, material.check, "check")
        with tempfile.TemporaryDirectory() as name:
            bundle = Path(name) / "bundle"
            chances = _write_heads(network, learned, material.check, bundle, start, recipe)
            evidence = _write_evidence(bundle, to_fit_to, start, house, recipe, progress)
            log_pictures(curves, material.check_crops, chances)
            mlflow.log_metrics(
                {f"before_{k}": v for k, v in before.items()} | {f"after_{k}": v for k, v in after.items()}
            )
            candidate = shelf.put(bundle, run.info.run_id, CANDIDATE)
    shutil.rmtree(work, ignore_errors=True)  # it is done, so there is nothing to go on from
    unrehearsed = tuple(sorted(set(house.sheets) - set(material.fit.makers)))
    return Learned(
        candidate, data.version, material.fit.count, material.check.count, before, after, evidence, learned, unrehearsed
    )


def _material(data: Dataset, house: House, features: Features, progress: Progress) -> _Material:
    sides = {}
    for side in (Side.FIT, Side.CHECK):
        crops = crops_of(data.of_side(side), house.sheets)
        with progress(f"looking at crops to {side}") as tell:
            tokens = features.of_crops(crops, tell)
        kept = [(crop, one) for crop, one in zip(crops, tokens, strict=True) if one is not None]
        sides[side] = kept
    if not sides[Side.FIT]:
        raise ValueError("no labelled part can be read on the side that is learned from")
    return _Material(
        fit=ready(*_apart(sides[Side.FIT])),
        check=ready(*_apart(sides[Side.CHECK])),
        check_crops=tuple(crop for crop, _ in sides[Side.CHECK]),
    )


def _unlearned(data: Dataset, nights: Dataset) -> Dataset:
    """What the evidence is fitted to: the nights given or the side kept back, without listings learned from."""
    learned = {one.listing.listing_id for one in data.of_side(Side.FIT).listings}
    wanted = nights if nights.listings else data.of_side(Side.CHECK)
    return Dataset(tuple(one for one in wanted.listings if one.listing.listing_id not in learned))


def _apart(pairs: Sequence[tuple[Crop, np.ndarray]]) -> tuple[list[Crop], list[np.ndarray]]:
    return [crop for crop, _ in pairs], [tokens for _, tokens in pairs]


def _log_settings(data: Dataset, nights: Dataset, start: Path, recipe: HeadsRecipe, material: _Material) -> None:
    mlflow.log_params(recipe.model_dump(exclude={"evidence"}) | recipe.evidence.model_dump())
    mlflow.log_params({
        "dataset": data.version, "evidence_dataset": nights.version, "start": models_id(start),
        "git_commit": git_commit(), "fit_crops": material.fit.count, "check_crops": material.check.count,
    })  # fmt: skip


def _write_heads(
    network: PartNetwork,
    learned: Collection[str],
    check: LabelledTokens,
    bundle: Path,
    start: Path,
    recipe: HeadsRecipe,
) -> dict[str, Chances]:
    """The candidate's networks and what was fitted to them; what its heads say of the sellers kept back."""
    write_networks(network, start, bundle)
    card, logits = read_card(bundle, "parts", PartsCard), told(network, check)
    temperature = fit_temperatures_of_heads(card, logits, check.answers, recipe.most_weight)
    chances = chances_by_head(logits, check.answers, temperature)
    about = with_measured(card.about, learned, chances)
    update_card(bundle, "parts", PartsCard, {"temperature": temperature, "about": about})
    return chances


def _write_evidence(
    bundle: Path, nights: Dataset, start: Path, house: House, recipe: HeadsRecipe, progress: Progress
) -> str:
    """The candidate's evidence and the card that binds all together; in a sentence what it was fitted to."""
    in_use = as_fitted(house.evidence, read_fitted(start))
    evidence = _kept(nights, in_use, recipe)
    if evidence is None:  # reading listings takes longest, so only if something is fitted to them
        with progress("reading the sellers kept back") as tell:
            readings, truth = read_nights(nights, bundle, house, in_use, tell)
        evidence = refit_evidence(readings, truth, house.sheets, in_use, recipe.evidence)
    write_fitted(bundle, evidence, {"made_by": "denim-triage relearn", "git_commit": git_commit()})
    return evidence.fitted_to


def _kept(nights: Dataset, in_use: EvidenceConfig, recipe: HeadsRecipe) -> FittedEvidence | None:
    """The evidence in use where there are too few pairs to fit it to."""
    pairs = [one.truth for one in nights.listings if one.truth is not None]
    return kept_as_it_was(pairs, in_use, recipe.evidence)


def read_nights(
    data: Dataset, models: Path, house: House, evidence: EvidenceConfig, on_progress: OnProgress
) -> tuple[list[ListingReadings], dict[str, PairTruth]]:
    """What a bundle's networks read in listings, folder by folder, and what is true of these."""
    readings: list[ListingReadings] = []
    by_folder: dict[Path, list[Listing]] = {}
    for one in data.listings:
        if one.truth is not None:
            by_folder.setdefault(one.folder, []).append(one.listing)
    total = sum(len(listing.photos) for listings in by_folder.values() for listing in listings)
    before = 0
    for folder, listings in by_folder.items():
        known, _ = check_against_sheets(listings, house.sheets)

        def tell(done: int, _total: int, before: int = before) -> None:
            on_progress(before + done, total)

        pool = Pool(models, folder, house.sheets, house.workers)
        readings += look_at_listings(known, pool, evidence, tell)
        before += sum(len(listing.photos) for listing in listings)
    truth = {one.listing.listing_id: one.truth for one in data.listings if one.truth is not None}
    return readings, truth
