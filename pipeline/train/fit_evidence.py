"""Fits what is not learned by gradient: `python -m pipeline.train.fit_evidence STEP ...`.

Steps, in this order, each on data that the networks were not trained on:
- `heads PREDICTIONS.npz`: temperatures of heads and digits, scale of the points' spread -> models/parts.yaml;
- `boxes FOLDER`: least score of each part, weight of the part network's box -> models/detector.yaml, parts.yaml;
- `evidence FOLDER`: shares of the cues' states, calibration of the sum -> configs/evidence.yaml; the night of the fit,
  to compare later nights with -> models/fitting_night.json. The folder must hold genuine and counterfeit pairs as they
  come;
- `night FOLDER`: that night alone, with the evidence as it is; to be run again after any change of networks or rules.
"""

from __future__ import annotations

import argparse
import multiprocessing
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import yaml
from numpy.typing import NDArray

from pipeline.classify.crops import CROPS, cut_out, square_for
from pipeline.classify.heads import HEADS, POCKET_POINTS, PRINT_FIELDS, head_slices, slots_of
from pipeline.classify.part_reader import refined_box
from pipeline.config import EvidenceConfig, ReferenceSheet, load_evidence, load_sheets
from pipeline.detect import load_detector
from pipeline.domain import Box, FoundPart, ListingReadings, PartName, Photo
from pipeline.evaluate.labelled import LabelledFolder, LabelledPart, read_labelled
from pipeline.evidence import assess, doubts_tonight, raw_log10_lrs
from pipeline.evidence.learn import fit_calibration, learn_shares, with_learned
from pipeline.evidence.render import render
from pipeline.fitting_night import FittingNight, Night, night_of, write_fitting_night
from pipeline.intake import check_against_sheets, read_photo
from pipeline.model_files import DetectorCard, FileCard, Network, PartsCard, read_card
from pipeline.one_processor import use_one_processor
from pipeline.scan import Pool, look_at_listings
from pipeline.store import judged_by
from pipeline.train.export import save_card
from synthetic.pair import natural_states

Floats = NDArray[np.float64]
PARTS = tuple(PartName)
_SWEEP_FROM = 0.02
# The score estimates the overlap with a true part. A higher bar would suit the look that it was fitted on and lose
# parts in photos of any other.
_SURE_ENOUGH = 0.5
_IOUS = np.arange(0.5, 1.0, 0.05)  # COCO's thresholds
_WEIGHTS = np.linspace(0, 1, 11)
_FEWEST = 20  # rows below which nothing is fitted


# ---------------------------------------------------------------- heads


def fit_heads(predictions: Mapping[str, NDArray[Any]], card: PartsCard) -> dict[str, Any]:
    """New values for the part network's card from held-out predictions, as `predict` gives them."""
    temperature = dict(card.temperature)
    for i, head in enumerate(HEADS):
        is_read = (predictions["answers"][:, i] >= 0) & (
            _sigmoid(predictions["out_seen"][:, i]) >= card.least_seen[head.name]
        )
        if is_read.sum() >= _FEWEST:
            logits = predictions["out_answers"][is_read][:, head_slices()[head.name]]
            temperature[head.name] = head_temperature(logits, predictions["answers"][is_read, i])
    digits = dict(card.digit_temperature)
    for part in PRINT_FIELDS:
        slots = slots_of(part)
        rows = predictions["part"] == PARTS.index(part)
        is_read = (_sigmoid(predictions["out_digit_seen"][rows][:, slots]) >= card.least_print_seen).ravel()
        truth = predictions["digits"][rows][:, slots].ravel()
        if (is_read & (truth >= 0)).sum() >= _FEWEST:
            keep = is_read & (truth >= 0)
            digits[part] = fit_temperature(
                predictions["out_digits"][rows][:, slots].reshape(len(keep), -1)[keep], truth[keep]
            )
    return {
        "temperature": {name: round(value, 3) for name, value in temperature.items()},
        "digit_temperature": {part.value: round(value, 3) for part, value in digits.items()},
        "point_sigma_scale": {name: round(value, 4) for name, value in point_scales(predictions).items()},
    }


def head_temperature(logits: NDArray[Any], truth: NDArray[Any], weights: NDArray[Any] | None = None) -> float:
    """As `fit_temperature`, but never below 1: a head is not made surer than training left it.

    Held-out drawings that a head tells apart without a fault would make it surer without end, and other photos don't
    bear that out: a reading of 650 on path-traced parts costs 0.110 nats so, 0.122 as the drawings alone would have it.
    """
    return max(1.0, fit_temperature(logits, truth, weights))


def fit_temperature(logits: NDArray[Any], truth: NDArray[Any], weights: NDArray[Any] | None = None) -> float:
    """The divisor of the logits (n, answers) that makes the true answers (n,) likeliest; 0.25 to 8.

    Rows count by their `weights` (n,), or all alike.
    """
    wide = np.asarray(logits, np.float64)

    def surprise(log_t: float) -> float:
        scaled = wide / np.exp(log_t)
        peak = scaled.max(1)
        log_sum = peak + np.log(np.exp(scaled - peak[:, None]).sum(1))
        return float(np.average(log_sum - scaled[np.arange(len(truth)), truth], weights=weights))

    return float(np.exp(_lowest(surprise, np.log(0.25), np.log(8))))


def _lowest(value: Callable[[float], float], low: float, high: float) -> float:
    """Where a function with one valley is lowest: golden-section search."""
    ratio = (np.sqrt(5) - 1) / 2
    for _ in range(60):
        left, right = high - ratio * (high - low), low + ratio * (high - low)
        low, high = (low, right) if value(left) < value(right) else (left, high)
    return (low + high) / 2


def point_scales(predictions: Mapping[str, NDArray[Any]]) -> dict[str, float]:
    """How much each pocket point's stated spread must grow so that 68 % of the misses lie within it."""
    scales = {}
    for i, name in enumerate(POCKET_POINTS):
        known = np.isfinite(predictions["points"][:, i]).all(-1)
        out = np.asarray(predictions["out_points"][known, i], np.float64)
        miss = np.abs(out[:, :2] - predictions["points"][known, i])
        stated = np.exp(out[:, 2:]) * np.sqrt(2)
        scales[name] = float(np.quantile(miss / stated, 0.683)) if known.sum() >= _FEWEST else 1.0
    return scales


def _sigmoid(logits: NDArray[Any]) -> Floats:
    return np.asarray(1 / (1 + np.exp(-np.asarray(logits, np.float64))), np.float64)


# ---------------------------------------------------------------- boxes


@dataclass(frozen=True, slots=True)
class _Match:
    """A found part and the labelled one it lies on (None: none), with the part network's box at each weight."""

    found: FoundPart
    truth: Box | None
    blends: tuple[Box, ...]


def fit_boxes(folder: Path, models_dir: Path, workers: int = 1) -> tuple[dict[str, float], dict[str, float]]:
    """Least score and box weight of each part, from a labelled folder.

    Returns:
        The score with the best balance of precision and recall (F1) at overlap 0.5; the weight whose boxes reach
        most of COCO's overlap thresholds.
    """
    detector, card = read_card(models_dir, "detector", DetectorCard), read_card(models_dir, "parts", PartsCard)
    labelled = read_labelled(folder)
    photos = [str(image["file_name"]) for image in labelled.coco["images"]]
    shares = [photos[i::workers] for i in range(workers)]
    with multiprocessing.get_context("spawn").Pool(workers, use_one_processor) as pool:
        found = pool.starmap(_matches_in, [(folder, models_dir, labelled.parts, share) for share in shares])
    matches: dict[PartName, list[_Match]] = defaultdict(list)
    for match in (match for share in found for match in share):
        matches[match.found.part].append(match)
    counts = {part: sum(item.part is part for item in labelled.parts) for part in PARTS}
    scores = {part.value: best_score(matches[part], counts[part], detector.least_score[part]) for part in PARTS}
    weights = {part.value: best_weight(matches[part], scores[part.value], card.box_weight[part]) for part in PARTS}
    return scores, weights


def _matches_in(
    folder: Path, models_dir: Path, labelled: Sequence[LabelledPart], photos: Sequence[str]
) -> list[_Match]:
    """Everything found in some photos of a labelled folder."""
    detector, card = load_detector(models_dir), read_card(models_dir, "parts", PartsCard)
    networks = {side: Network(models_dir, card.network, side, 1) for side in {spec.side_px for spec in CROPS.values()}}
    by_photo: dict[str, list[LabelledPart]] = defaultdict(list)
    for part in labelled:
        by_photo[part.photo].append(part)
    matches: list[_Match] = []
    for name in photos:
        photo = read_photo(folder, name)
        if isinstance(photo, Photo):
            for one, truth in _matched(detector.find_all(photo, _SWEEP_FROM), by_photo[photo.path]):
                matches.append(_Match(one, truth, () if truth is None else _blends(photo, one, networks)))
    return matches


def _matched(found: Sequence[FoundPart], labelled: Sequence[LabelledPart]) -> list[tuple[FoundPart, Box | None]]:
    """Each found part, surest first, with the labelled box it takes: the one it overlaps most, by half or more."""
    free = list(labelled)
    pairs: list[tuple[FoundPart, Box | None]] = []
    for part in sorted(found, key=lambda item: -item.score):
        near = [(part.box.iou(item.box), i) for i, item in enumerate(free) if item.part is part.part]
        iou, place = max(near, default=(0.0, -1))
        pairs.append((part, free.pop(place).box if iou >= 0.5 else None))
    return pairs


def _blends(photo: Photo, part: FoundPart, networks: Mapping[int, Network]) -> tuple[Box, ...]:
    square, side_px = square_for(part.part, part.box).snapped(), CROPS[part.part].side_px
    cxcywh = networks[side_px](cut_out(photo.pixels, square, side_px))["box"]
    return tuple(refined_box(part.box, cxcywh, square, photo.size_wh, float(weight)) for weight in _WEIGHTS)


def best_score(matches: Sequence[_Match], wanted: int, otherwise: float) -> float:
    """The least score with the highest F1, at most _SURE_ENOUGH; `otherwise` where there is too little to tell."""
    if wanted < _FEWEST // 2 or not matches:
        return otherwise
    order = sorted(matches, key=lambda match: -match.found.score)
    right = np.cumsum([match.truth is not None for match in order])
    f1 = 2 * right / (np.arange(1, len(order) + 1) + wanted)
    best = int(f1.argmax())
    below = order[best + 1].found.score if best + 1 < len(order) else _SWEEP_FROM
    return round(min((order[best].found.score + below) / 2, _SURE_ENOUGH), 3)


def best_weight(matches: Sequence[_Match], least_score: float, otherwise: float) -> float:
    """The weight of the part network's box whose blends reach most overlap thresholds."""
    right = [
        (match.truth, match.blends) for match in matches if match.truth is not None and match.found.score >= least_score
    ]
    if len(right) < _FEWEST // 2:
        return otherwise
    ious = np.array([[truth.iou(blend) for blend in blends] for truth, blends in right])
    reached = (ious[..., None] >= _IOUS).mean(axis=(0, 2))
    return round(float(_WEIGHTS[int(reached.argmax())]), 2)


# ---------------------------------------------------------------- evidence


class FittedEvidence(NamedTuple):
    """The weights of the evidence as YAML, and the listings that they were fitted on as these weights see them."""

    text: str
    night: Night


def fit_evidence(folder: Path, models_dir: Path, configs: Path, drawn_pairs: int, workers: int) -> FittedEvidence:
    """Fit the weights of the evidence.

    Shares come from the true states of freshly invented pairs at their natural rates: they need no photos, and the
    rarest need thousands. The calibration comes from a scan of the folder's photos with those shares.
    """
    sheets = load_sheets(configs)
    start = load_evidence(configs / "evidence.yaml")
    shares = learn_shares(_drawn_pairs(next(iter(sheets.values())), drawn_pairs))
    weighed = with_learned(start, shares, [(-6.0, -6.0), (6.0, 6.0)])
    labelled = read_labelled(folder)
    readings = _look_at(labelled, Pool(models_dir, folder, sheets, workers), weighed)
    # Weighed as one night, doubts of its signs included, as scans will be.
    tonight = doubts_tonight(readings, sheets, weighed)
    raw = raw_log10_lrs(readings, sheets, weighed, tonight)
    truth = [labelled.truth[one.listing.listing_id].counterfeit for one in readings]
    fitted = with_learned(weighed, {}, fit_calibration(raw, truth, segments=1, ridge=5.0))
    return FittedEvidence(render(fitted), _weighed(readings, sheets, fitted))


def see_night(folder: Path, models_dir: Path, configs: Path, workers: int) -> Night:
    """The folder's listings as the present evidence sees them."""
    sheets, evidence = load_sheets(configs), load_evidence(configs / "evidence.yaml")
    readings = _look_at(read_labelled(folder), Pool(models_dir, folder, sheets, workers), evidence)
    return _weighed(readings, sheets, evidence)


def _look_at(labelled: LabelledFolder, pool: Pool, evidence: EvidenceConfig) -> Sequence[ListingReadings]:
    listings, _ = check_against_sheets(labelled.listings, pool.sheets)
    known = [listing for listing in listings if listing.listing_id in labelled.truth]
    return look_at_listings(known, pool, evidence, _silent)


def _weighed(
    readings: Sequence[ListingReadings], sheets: Mapping[str, ReferenceSheet], evidence: EvidenceConfig
) -> Night:
    tonight = doubts_tonight(readings, sheets, evidence)
    return night_of(assess(one, sheets[one.listing.maker], evidence, tonight) for one in readings)


def _drawn_pairs(sheet: ReferenceSheet, count: int) -> list[tuple[bool, dict[str, str]]]:
    """True states of invented pairs, half of them counterfeit; the shares within each half are the natural ones."""
    rng = np.random.default_rng(77)
    return [
        (is_counterfeit, natural_states(rng, sheet, is_counterfeit))
        for _ in range(count // 2)
        for is_counterfeit in (False, True)
    ]


def _silent(done: int, total: int) -> None:
    """No progress is shown."""


# ---------------------------------------------------------------- command line


def update_card(models_dir: Path, name: str, kind: type[FileCard], values: Mapping[str, Any]) -> None:
    """Put new values into a card; the rest stays."""
    path = models_dir / f"{name}.yaml"
    card = {**yaml.safe_load(path.read_text(encoding="utf-8")), **values}
    save_card(path, kind.model_validate(card).model_dump(mode="json"))


def keep_night(night: Night, step: str, folder: Path, models_dir: Path, configs: Path) -> None:
    """Write down the night of a fit with what it was judged by."""
    model, rules = judged_by(models_dir, configs)
    fitted = FittingNight(
        command=f"python -m pipeline.train.fit_evidence {step} {folder.name}",
        model=model,
        rules=rules,
        prior_counterfeit=load_evidence(configs / "evidence.yaml").prior_counterfeit,
        night=night,
    )
    write_fitting_night(models_dir, fitted)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("step", choices=("heads", "boxes", "evidence", "night"))
    parser.add_argument("data", type=Path, help="predictions (heads) or a labelled folder")
    parser.add_argument("--models", type=Path, default=Path("models"))
    parser.add_argument("--configs", type=Path, default=Path("configs"))
    parser.add_argument("--drawn-pairs", type=int, default=40_000)
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args()
    use_one_processor()
    if args.step == "heads":
        with np.load(args.data) as predictions:
            values = fit_heads(predictions, read_card(args.models, "parts", PartsCard))
        update_card(args.models, "parts", PartsCard, values)
    elif args.step == "boxes":
        scores, weights = fit_boxes(args.data, args.models, args.workers)
        update_card(args.models, "detector", DetectorCard, {"least_score": scores})
        update_card(args.models, "parts", PartsCard, {"box_weight": weights})
    elif args.step == "evidence":
        fitted = fit_evidence(args.data, args.models, args.configs, args.drawn_pairs, args.workers)
        (args.configs / "evidence.yaml").write_text(fitted.text, encoding="utf-8")
        keep_night(fitted.night, args.step, args.data, args.models, args.configs)
    else:
        keep_night(
            see_night(args.data, args.models, args.configs, args.workers),
            args.step, args.data, args.models, args.configs,
        )  # fmt: skip


if __name__ == "__main__":
    main()
