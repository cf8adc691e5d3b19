"""The order in which a person should look."""

from __future__ import annotations

from collections.abc import Iterable

from pipeline.domain import Assessment

__all__ = ["rank"]


def rank(assessments: Iterable[Assessment]) -> tuple[Assessment, ...]:
    """Most suspicious first: by probability, then by evidence, then by listing id, so that order is stable."""
    return tuple(sorted(assessments, key=lambda item: (-item.probability, -item.log10_lr, item.listing_id)))
