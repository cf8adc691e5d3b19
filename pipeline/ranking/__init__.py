"""The order in which a person should look."""

from __future__ import annotations

from collections.abc import Iterable

from pipeline.domain import Assessment

__all__ = ["place_in_queue", "rank"]


def rank(assessments: Iterable[Assessment]) -> tuple[Assessment, ...]:
    """Most suspicious first: by probability, then by evidence, then by listing id, so that order is stable."""
    return tuple(sorted(assessments, key=place_in_queue))


def place_in_queue(one: Assessment) -> tuple[float, float, str]:
    """What `rank` sorts by."""
    return -one.probability, -one.log10_lr, one.listing_id
