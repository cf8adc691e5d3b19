"""When a listing was listed, as far as its words tell."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime


def moment_of(text: str) -> datetime | None:
    """A listing's date and time, taken as UTC where it names no zone; None if it is neither."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


def came_first(listed_at: str, others: Mapping[str, str]) -> dict[str, bool]:
    """For each other listing whether it was listed before this one; left out where that is not known.

    Args:
        listed_at: of this listing.
        others: the same of others, by listing_id.
    """
    mine = moment_of(listed_at)
    known = {other: moment for other, text in others.items() if (moment := moment_of(text)) is not None}
    return {} if mine is None else {other: theirs < mine for other, theirs in known.items() if theirs != mine}
