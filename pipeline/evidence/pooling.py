"""Several readings of one cue become one likelihood over its states.

Two photos of one tab are not two independent witnesses: they share the light, the camera and the
tab's own oddities. Their log-likelihoods are therefore added and then multiplied by
n_effective ** (repeat_views - 1), where n_effective counts readings by how much they say
(the participation ratio of the lengths of the centred log-likelihoods). So n equal readings are worth
n ** repeat_views of one; a reading that says nothing changes nothing; order does not matter.

Rivets (`sets` in the configuration) are different objects that should all carry the stamp: there each
object found in a photo is weighed on its own, and one clear blank among stamped ones counts. Where a cue is asked
of different parts (`part_sets`), the photos of one part are joined first and the parts then weighed as such a set.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.config import EvidenceConfig
from pipeline.domain import CueReading

Floats = NDArray[np.float64]
_TINY = 1e-12  # keeps log(0) finite


def pool(readings: Sequence[CueReading], states: Sequence[str], evidence: EvidenceConfig) -> Floats:
    """Likelihood of all readings of one cue together.

    Args:
        readings: at least one reading, all of the same cue.
        states: the cue's states, in the order of the result.
        evidence: for `repeat_views`, `least_doubt`, `sets` and `part_sets`.

    Returns:
        Shape (states,), sum 1.

    Raises:
        ValueError: if there is no reading or one names a state that the cue lacks.
    """
    if not readings:
        raise ValueError("pooling needs at least one reading")
    cue = readings[0].cue
    vectors = [_doubted(reading_vector(reading, states), evidence.least_doubt) for reading in readings]
    if cue in evidence.sets:
        vectors = _sets_by_photo(readings, vectors, evidence.sets[cue])
    if cue in evidence.part_sets:
        return _set_likelihood(_by_part(readings, vectors, evidence.repeat_views), evidence.part_sets[cue])
    return _pool_views(vectors, evidence.repeat_views)


def reading_vector(reading: CueReading, states: Sequence[str]) -> Floats:
    """A reading's likelihoods in the order of `states`; a state that it leaves out gets 0.

    Raises:
        ValueError: if the reading names a state that the cue lacks.
    """
    unknown = set(reading.likelihood) - set(states)
    if unknown:
        raise ValueError(f"{reading.cue}: no such state: {', '.join(sorted(unknown))}; known are {', '.join(states)}")
    return np.array([reading.likelihood.get(state, 0.0) for state in states])


def _doubted(vector: Floats, least_doubt: float) -> Floats:
    """Never believe a reading without any doubt: mix in a little of the flat one."""
    return np.asarray((1 - least_doubt) * vector / vector.sum() + least_doubt / len(vector), dtype=np.float64)


def _sets_by_photo(readings: Sequence[CueReading], vectors: Sequence[Floats], departing_share: float) -> list[Floats]:
    """Merge the objects of each photo into one reading of the pair; readings of no part stand alone."""
    merged = [vector for reading, vector in zip(readings, vectors, strict=True) if reading.part is None]
    photos = sorted({reading.photo or "" for reading in readings if reading.part is not None})
    for photo in photos:
        objects = [
            vector
            for reading, vector in zip(readings, vectors, strict=True)
            if reading.part is not None and (reading.photo or "") == photo
        ]
        merged.append(_set_likelihood(objects, departing_share))
    return merged


def _by_part(readings: Sequence[CueReading], vectors: Sequence[Floats], repeat_views: float) -> list[Floats]:
    """The views of each part of the pair joined, part by part."""
    kinds = sorted({reading.part or "" for reading in readings})
    return [
        _pool_views([v for r, v in zip(readings, vectors, strict=True) if (r.part or "") == kind], repeat_views)
        for kind in kinds
    ]


def _set_likelihood(objects: Sequence[Floats], departing_share: float) -> Floats:
    """Likelihood of a pair's two states from its separate objects.

    A genuine pair has every object in the first state. In a departing pair each object departs with
    probability `departing_share`, so one clear departure outweighs several objects in order.
    """
    stack = np.array(objects)
    log_genuine = float(np.log(np.maximum(stack[:, 0], _TINY)).sum())
    mixed = (1 - departing_share) * stack[:, 0] + departing_share * stack[:, 1]
    log_departing = float(np.log(np.maximum(mixed, _TINY)).sum())
    return _normalised(np.array([log_genuine, log_departing]))


def _pool_views(vectors: Sequence[Floats], repeat_views: float) -> Floats:
    """Join likelihoods of one object seen several times; the rule stands at the top of this file."""
    logs = np.log(np.maximum(np.array(vectors), _TINY))
    centred = logs - logs.mean(axis=1, keepdims=True)
    lengths = np.linalg.norm(centred, axis=1)
    if not lengths.any():
        return np.full(centred.shape[1], 1 / centred.shape[1])
    # Sorted before summing so that the order of photos cannot show up even in the last digit.
    ordered = np.sort(lengths)
    n_effective = float(ordered.sum() ** 2 / (ordered**2).sum())
    return _normalised(np.sort(centred, axis=0).sum(axis=0) * n_effective ** (repeat_views - 1))


def _normalised(logs: Floats) -> Floats:
    """Exponentiate and scale to sum 1."""
    weights = np.exp(logs - logs.max())
    return np.asarray(weights / weights.sum(), dtype=np.float64)
