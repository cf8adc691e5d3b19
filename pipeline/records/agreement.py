"""Whether two people who look at the same listing without knowing of each other say the same."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import and_, select
from sqlalchemy.orm import Session, aliased

from pipeline.records.tables import Decision
from pipeline.records.words import Choice


@dataclass(frozen=True, slots=True)
class Agreement:
    """Pairs of opinions, how many are the same, and Cohen's kappa (None where it is not defined)."""

    pairs: int
    same: int
    kappa: float | None


def cohens_kappa(pairs: Sequence[tuple[str, str]]) -> float | None:
    """Agreement of two raters beyond chance (Cohen 1960): (p_o - p_e) / (1 - p_e).

    Args:
        pairs: each the first and the second rater's word for one thing.

    Returns:
        -1 to 1; None if there are no pairs, or both always use one and the same word.
    """
    if not pairs:
        return None
    n = len(pairs)
    observed = sum(one == other for one, other in pairs) / n
    first, second = Counter(one for one, _ in pairs), Counter(other for _, other in pairs)
    expected = sum(first[word] * second[word] for word in first) / n**2
    return None if expected == 1 else (observed - expected) / (1 - expected)


def read_agreement(session: Session) -> Agreement:
    """How first and second opinions of the same round agree."""
    one, other = aliased(Decision), aliased(Decision)
    opinions = [choice for choice in Choice if choice.is_opinion]
    rows = session.execute(
        select(one.choice, other.choice)
        .join(other, and_(other.listing_id == one.listing_id, other.round == one.round))
        .where(
            one.look == 1,
            other.look == 2,
            one.undone_at.is_(None),
            other.undone_at.is_(None),
            one.choice.in_(opinions),
            other.choice.in_(opinions),
        )
    )
    pairs = [(first, second) for first, second in rows]
    return Agreement(len(pairs), sum(first == second for first, second in pairs), cohens_kappa(pairs))
