"""One folder that holds all that judges together: networks, cards, memory of genuine parts, fitted evidence.

A bundle is made anew for every candidate and never changed. Its last card, `fitted.yaml`, names every file by hash: a
scan refuses a folder in which any of them is of another version.
"""

from __future__ import annotations

import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import openvino as ov
import yaml
from numpy.typing import NDArray

from pipeline.classify.digit_reader import DIGITS
from pipeline.classify.genuine_memory import CARD as GENUINE
from pipeline.classify.heads import HEADS, head_slices
from pipeline.config import EvidenceConfig, EvidenceRecipe, ReferenceSheet
from pipeline.domain import ListingReadings
from pipeline.evaluate.labelled import PairTruth
from pipeline.evidence import doubts_tonight, raw_log10_lrs
from pipeline.evidence.calibration import calibrate
from pipeline.evidence.learn import fit_calibration, shares_in, updated_shares, with_learned
from pipeline.improve.train_heads import answer_weights
from pipeline.model_files import FITTED, FittedCard, GenuineCard, PartsCard, read_card, sha256_of
from pipeline.train.export import save_card
from pipeline.train.fit_evidence import head_temperature, update_card
from pipeline.train.heads_in_place import put_heads
from pipeline.train.networks import PartNetwork
from pipeline.train.weights import load_network, save_weights

_GOES_ALONG = ("detector.*", f"{GENUINE}.*", f"{DIGITS}.*", "fitting_night.json", "parts.yaml")
_FEWEST = 60  # labelled crops of a head below which its temperature stays: one slip among fewer moves it far


@dataclass(frozen=True, slots=True)
class FittedEvidence:
    """Shares and calibration, and in a sentence what they were fitted to."""

    shares: Mapping[str, Mapping[str, tuple[float, float]]]
    calibration: tuple[tuple[float, float], ...]
    fitted_to: str


def write_networks(network: PartNetwork, start: Path, out: Path) -> None:
    """A new bundle's networks: the heads' new weights beside everything that stays as in `start`, its arithmetic too.

    The memory of genuine parts goes along: it compares what the trunk says, and the trunk is the same.

    Raises:
        ConfigError: if `start` is not whole.
        ValueError: if the weights in `start` are not those of the network that runs there.
    """
    card = read_card(start, "parts", PartsCard)
    model = ov.Core().read_model(start / card.network)
    put_heads(model, load_network(PartNetwork, start / "parts.safetensors"), network)
    out.mkdir(parents=True, exist_ok=True)
    for path in (one for pattern in _GOES_ALONG for one in start.glob(pattern)):
        shutil.copyfile(path, out / path.name)
    save_weights(network, out / "parts.safetensors")
    ov.save_model(model, out / card.network, compress_to_fp16=False)  # each tensor in the precision that it has
    update_card(out, "parts", PartsCard, {"sha256": {file: sha256_of(out / file) for file in card.sha256}})
    if (out / f"{GENUINE}.yaml").exists():
        read_card(start, GENUINE, GenuineCard)
        update_card(out, GENUINE, GenuineCard, {"parts_sha256": sha256_of(out / "parts.bin")})


def fit_temperatures_of_heads(
    card: PartsCard, logits: NDArray[np.float32], answers: NDArray[np.int64], most: float
) -> dict[str, float]:
    """Each head's temperature, fitted to crops that it did not learn from where there are enough.

    Args:
        card: the part network's.
        logits: (crops, answers of all heads).
        answers: (crops, heads), -1 where not asked.
        most: as for `answer_weights`; the mix of answers must be the one that the card says.
    """
    weights = answer_weights(answers, card.training_prior, most)
    temperature = dict(card.temperature)
    for number, head in enumerate(HEADS):
        asked = answers[:, number] >= 0
        if asked.sum() >= _FEWEST:
            truth = answers[asked, number]
            told = logits[asked][:, head_slices()[head.name]]
            temperature[head.name] = round(head_temperature(told, truth, weights[number][truth]), 3)
    return temperature


def kept_as_it_was(pairs: Sequence[PairTruth], start: EvidenceConfig, recipe: EvidenceRecipe) -> FittedEvidence | None:
    """The evidence in use where there are too few pairs of either kind to fit it to; None where there are enough."""
    counterfeit = sum(pair.counterfeit for pair in pairs)
    fewest = min(counterfeit, len(pairs) - counterfeit)
    if fewest >= recipe.fewest_of_a_kind:
        return None
    why = f"as before: {fewest} pairs of the rarer kind to fit to, {recipe.fewest_of_a_kind} wanted"
    return FittedEvidence(shares_in(start), start.calibration, why)


def refit_evidence(
    readings: Sequence[ListingReadings],
    truth: Mapping[str, PairTruth],
    sheets: Mapping[str, ReferenceSheet],
    start: EvidenceConfig,
    recipe: EvidenceRecipe,
) -> FittedEvidence:
    """Shares and calibration fitted anew to what the new network reads; as they were where there are too few pairs.

    Both move from those in use as far as pairs speak: the shares and the line in use count like `weight_of_start` pairs
    that are as they say. So some dozens of listings of a new maker hardly make the others' probabilities less sure.

    Args:
        readings: of listings whose crops the network did not learn from, as one night.
        truth: of these listings; pairs that stand for more than one count accordingly.
        sheets: reference sheets by maker.
        start: the evidence in use.
        recipe: how much the start weighs, and the fewest pairs to go by.
    """
    known = [one for one in readings if one.listing.listing_id in truth]
    pairs = [truth[one.listing.listing_id] for one in known]
    if (kept := kept_as_it_was(pairs, start, recipe)) is not None:
        return kept
    kinds = np.array([pair.counterfeit for pair in pairs], np.bool_)
    rows = [(pair.counterfeit, pair.cues, pair.stands_for) for pair in pairs]
    shares = updated_shares(shares_in(start), rows, recipe.weight_of_start)
    weighed = with_learned(start, shares)
    tonight = doubts_tonight(known, sheets, weighed)
    raw = np.array(raw_log10_lrs(known, sheets, weighed, tonight))
    weight = np.array([pair.stands_for for pair in pairs])
    share = float((weight * kinds).sum() / weight.sum())
    calibration = moved_calibration(start.calibration, raw, kinds, share, recipe.weight_of_start)
    return FittedEvidence(shares, calibration, f"{len(known)} listings, {int(kinds.sum())} of them counterfeit")


def moved_calibration(
    start: Sequence[tuple[float, float]],
    raw: NDArray[np.float64],
    is_counterfeit: NDArray[np.bool_],
    share: float,
    weight_of_start: float,
) -> tuple[tuple[float, float], ...]:
    """The line in use, moved by rows as far as these outweigh the pairs that it counts like.

    Beside each row stands its portion of pairs of the same raw evidence that are as the line in use says. A straight
    line from what that line says to what all of them say is fitted, and laid behind it.

    Args:
        start: the points [raw, calibrated] in use.
        raw: summed evidence, (n,).
        is_counterfeit: (n,).
        share: of counterfeits among what the rows stand for.
        weight_of_start: in pairs.
    """
    said = np.array([calibrate(value, start, np.inf) for value in raw])
    believed = 1 / (1 + np.exp(-np.clip(said * np.log(10) + np.log(share / (1 - share)), -40, 40)))
    portion = weight_of_start / len(raw)
    mixed = (is_counterfeit + portion * believed) / (1 + portion)
    line = fit_calibration(said, mixed, segments=1, ridge=5.0, share=share)
    return tuple((x, calibrate(y, line, np.inf)) for x, y in start)


def write_fitted(out: Path, evidence: FittedEvidence, about: Mapping[str, str]) -> None:
    """Write the last card, which binds the bundle's files together."""
    hashes = {path.name: sha256_of(path) for path in sorted(out.iterdir()) if path.name != f"{FITTED}.yaml"}
    card = FittedCard(
        version=1,
        sha256=hashes,
        about={**about, "fitted_to": evidence.fitted_to},
        shares=evidence.shares,
        calibration=tuple((round(x, 4), round(y, 4)) for x, y in evidence.calibration),
    )
    save_card(out / f"{FITTED}.yaml", yaml.safe_load(yaml.safe_dump(card.model_dump(mode="json"))))
