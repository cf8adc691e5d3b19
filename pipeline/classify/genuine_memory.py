"""What genuine parts look like: local features of those seen so far, and how far a new part is from them.

After Roth et al. 2022 (PatchCore): the distance of a local feature to the nearest of a coreset of genuine ones; the
farthest features of a part make its score. The score becomes a conformal p-value (Vovk, Gammerman & Shafer 2005): the
share of genuine parts, none of them in the memory, that are at least as far.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.domain import PartName
from pipeline.model_files import GenuineCard, PartsCard, read_card

Floats = NDArray[np.float32]
CARD = "genuine"
FEATURES = "features"  # the part network's output that is compared; a network exported earlier lacks it


@dataclass(frozen=True, slots=True, eq=False)
class PartMemory:
    """One part's genuine features (features, channels), and the scores of held-out genuine parts, rising, (m,)."""

    features: Floats
    genuine: Floats


@dataclass(frozen=True, slots=True, eq=False)
class GenuineMemory:
    """The memory of every part that has one, and how its scores are made; see `GenuineCard`."""

    card: GenuineCard
    mapping: Floats
    parts: Mapping[PartName, PartMemory]


def mapped(features: Floats, mapping: Floats) -> Floats:
    """Features (..., channels) by a fixed linear map (channels, fewer), so that distances cost less."""
    return np.asarray(features @ mapping, np.float32)


def nearest_distances(features: Floats, memory: Floats) -> Floats:
    """Euclidean distance of each feature (n, channels) to the nearest in the memory (m, channels), shape (n,)."""
    lengths = np.einsum("ij,ij->i", memory, memory) / 2
    halves = (lengths - features @ memory.T).min(axis=1)
    squares = 2 * halves + np.einsum("ij,ij->i", features, features)
    return np.asarray(np.sqrt(np.maximum(squares, 0)), np.float32)


def spot_score(distances: Floats, spot: int) -> float:
    """How far the farthest spot of a part is: the mean of the `spot` greatest distances (n,), or of all if fewer."""
    return float(np.sort(distances)[-spot:].mean())


def p_value(score: float, genuine: Floats) -> float:
    """Conformal p-value: the share of held-out genuine scores (m,), rising, and this one itself, that reach `score`."""
    reaching = len(genuine) - int(np.searchsorted(genuine, score, side="left"))
    return (1 + reaching) / (1 + len(genuine))


def unlike_ratio(p: float, shape: float) -> float:
    """How much likelier this p-value is on a part that departs than on a genuine one: shape * p ** (shape - 1).

    Genuine parts' p-values are spread evenly; those of departing ones crowd at 0 as Beta(shape, 1) does (Vovk & Wang
    2021 use the same curves to turn p-values into e-values). The smallest p that can occur bounds the ratio.
    """
    return float(shape * p ** (shape - 1))


def load_memory(models_dir: Path, parts: PartsCard) -> GenuineMemory | str:
    """Read the memory from its folder.

    Args:
        models_dir: may hold `genuine.yaml` and the file that it names.
        parts: the part network's card.

    Returns:
        The memory, or in a sentence why parts are not compared with genuine ones.

    Raises:
        ConfigError: if the memory's file is not the one that its card speaks of.
    """
    if not (models_dir / f"{CARD}.yaml").exists():
        return (
            "parts are not compared with genuine ones: there is no memory of them; python -m pipeline.train.fit_genuine"
        )
    card = read_card(models_dir, CARD, GenuineCard)
    if card.parts_sha256 not in parts.sha256.values():
        return (
            "parts are not compared with genuine ones: the memory of them belongs to another part network; fit it anew"
            " with python -m pipeline.train.fit_genuine"
        )
    with np.load(models_dir / card.memory, allow_pickle=False) as arrays:
        return GenuineMemory(card, np.asarray(arrays["mapping"], np.float32), _parts(arrays))


def _parts(arrays: Mapping[str, Any]) -> dict[PartName, PartMemory]:
    return {
        part: PartMemory(
            np.asarray(arrays[f"{part.value}_features"], np.float32),
            np.asarray(arrays[f"{part.value}_genuine"], np.float32),
        )
        for part in PartName
        if f"{part.value}_features" in arrays
    }


def save_arrays(path: Path, mapping: Floats, parts: Mapping[PartName, PartMemory]) -> None:
    """Write a memory's arrays; features in half precision."""
    arrays: dict[str, NDArray[Any]] = {"mapping": mapping.astype(np.float32)}
    for part, memory in parts.items():
        arrays[f"{part.value}_features"] = memory.features.astype(np.float16)
        arrays[f"{part.value}_genuine"] = np.sort(memory.genuine).astype(np.float32)
    np.savez_compressed(path, allow_pickle=False, **arrays)
