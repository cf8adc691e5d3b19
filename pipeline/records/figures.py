"""What decisions and corrections say about the signs: the analyst's figures."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from pipeline.intervals import Share, wilson
from pipeline.records.queue import TELLING_LOG10_LR
from pipeline.records.tables import Asking, Assessment, Correction, Decision, Listing, Part, Person, Reason, Run
from pipeline.records.words import Choice, State

_SETTLED = {State.GONE: False, State.HELD: True, State.EXPERT: True}


@dataclass(frozen=True, slots=True)
class CueFigures:
    """Of the decided listings on which a cue spoke against the pair, the share held; how often it was corrected."""

    cue: str
    held: Share
    corrected: int


@dataclass(frozen=True, slots=True)
class RunChances:
    """The chances that a run gave: how many listings, their mean, and how many in each tenth."""

    run: str
    taken_in: str
    listings: int
    mean: float
    tenths: Sequence[int]


def read_cue_figures(session: Session) -> list[CueFigures]:
    """Per cue, over listings that stand decided; most often seen first."""
    rows = session.execute(
        select(Reason.cue, Listing.state, func.count())
        .join(Listing, Listing.assessment_id == Reason.assessment_id)
        .where(Reason.log10_lr >= TELLING_LOG10_LR, Listing.state.in_(_SETTLED))
        .group_by(Reason.cue, Listing.state)
    )
    n: Counter[str] = Counter()
    held: Counter[str] = Counter()
    for cue, state, count in rows:
        n[cue] += count
        held[cue] += count if _SETTLED[State(state)] else 0
    corrected = _corrected(session)
    return [
        CueFigures(cue, wilson(held[cue], n[cue]), corrected[cue]) for cue in sorted(n | corrected, key=lambda c: -n[c])
    ]


def read_corrections(session: Session) -> list[tuple[str, str, str, int]]:
    """What was corrected most: the sign or part, what was read, what it truly is, how often."""
    cues = session.execute(
        select(Correction.cue, Correction.read_as, Correction.truly, func.count())
        .where(Correction.undone_at.is_(None), Correction.cue.is_not(None))
        .group_by(Correction.cue, Correction.read_as, Correction.truly)
    )
    rows = [(str(cue), str(read_as), truly or "something else", n) for cue, read_as, truly, n in cues]
    boxes = session.execute(
        select(Part.part, Correction.true_box)
        .join(Part, Part.id == Correction.part_id)
        .where(Correction.undone_at.is_(None))
    )
    counted = Counter((part, "elsewhere" if box else "nothing there") for part, box in boxes)
    rows += [(f"box of the {part}", "here", truly, n) for (part, truly), n in counted.items()]
    return sorted(rows, key=lambda row: -row[3])


def read_capacity(session: Session) -> list[tuple[int, float]]:
    """How many reviews, most suspicious first, catch what share of all that was held back or shown to an expert.

    Over the listings that stand decided. The curve starts at (0, 0); empty where nothing was held.
    """
    rows = session.execute(
        select(Listing.state).where(Listing.state.in_(_SETTLED)).order_by(Listing.probability.desc(), Listing.id.desc())
    ).scalars()
    outcomes = [_SETTLED[State(state)] for state in rows]
    total = sum(outcomes)
    if not total:
        return []
    curve, caught = [(0, 0.0)], 0
    for reviews, is_held in enumerate(outcomes, 1):
        caught += is_held
        curve.append((reviews, caught / total))
    return curve


def read_run_chances(session: Session) -> list[RunChances]:
    """The chances that each run gave, the latest run first."""
    runs = session.scalars(select(Run).order_by(Run.id.desc()).limit(14)).all()
    found = []
    for run in runs:
        chances = session.scalars(select(Assessment.probability).where(Assessment.run_id == run.id)).all()
        if chances:
            tenths = Counter(min(9, int(10 * chance)) for chance in chances)
            day = run.taken_in_at.strftime("%d %b %Y")
            mean = sum(chances) / len(chances)
            found.append(RunChances(run.name, day, len(chances), mean, [tenths[tenth] for tenth in range(10)]))
    return found


def decisions_to_export(session: Session) -> Iterator[Mapping[str, Any]]:
    """A row a decision."""
    rows = session.execute(
        select(Decision, Listing, Person.name, Run.model, Run.rules, Assessment.probability)
        .join(Listing, Listing.id == Decision.listing_id)
        .join(Person, Person.id == Decision.person_id)
        .outerjoin(Assessment, Assessment.id == Decision.assessment_id)
        .outerjoin(Run, Run.id == Assessment.run_id)
        .order_by(Decision.id)
    )
    for decision, listing, person, model, rules, probability in rows:
        yield {
            "listing_id": listing.listing_id,
            "seller_id": listing.seller_id,
            "maker": listing.maker,
            "style_number": listing.style_number,
            "probability": probability,
            "choice": decision.choice,
            "look": decision.look,
            "round": decision.round,
            "cues": "|".join(decision.cues),
            "words": decision.words,
            "by": person,
            "at": decision.at.isoformat(),
            "taken_back_at": decision.undone_at.isoformat() if decision.undone_at else None,
            "stands_at": listing.state,
            "model": model,
            "rules": rules,
        }


def corrections_to_export(session: Session) -> Iterator[Mapping[str, Any]]:
    """A row a correction that stands: the analyst's labels."""
    rows = session.execute(
        select(Correction, Listing.listing_id, Person.name, Part)
        .join(Listing, Listing.id == Correction.listing_id)
        .join(Person, Person.id == Correction.person_id)
        .outerjoin(Part, Part.id == Correction.part_id)
        .where(Correction.undone_at.is_(None))
        .order_by(Correction.id)
    )
    for correction, listing_id, person, part in rows:
        yield {
            "listing_id": listing_id,
            "cue": correction.cue,
            "read_as": correction.read_as,
            "truly": correction.truly,
            "part": part.part if part else None,
            "photo_sha256": part.photo if part else None,
            "box": _box_text(part.box) if part else None,
            "true_box": _box_text(correction.true_box),
            "by": person,
            "at": correction.at.isoformat(),
        }


def messages_to_export(session: Session) -> Iterator[Mapping[str, Any]]:
    """A row a message to a seller, for the marketplace to send; those of decisions taken back are gone."""
    rows = session.execute(
        select(Asking, Listing.listing_id, Listing.seller_id, Person.name, Decision.at)
        .join(Decision, Decision.id == Asking.decision_id)
        .join(Listing, Listing.id == Asking.listing_id)
        .join(Person, Person.id == Decision.person_id)
        .order_by(Asking.id)
    )
    for asking, listing_id, seller_id, person, at in rows:
        yield {
            "listing_id": listing_id,
            "seller_id": seller_id,
            "views": "|".join(asking.views),
            "message": asking.message,
            "by": person,
            "at": at.isoformat(),
        }


def count_held(session: Session) -> int:
    """How many decided listings were not let go."""
    held = [state for state, is_held in _SETTLED.items() if is_held]
    return session.scalar(select(func.count()).select_from(Listing).where(Listing.state.in_(held))) or 0


def choices_made(session: Session) -> Mapping[Choice, int]:
    """How often each choice was made; those taken back are left out."""
    rows = session.execute(
        select(Decision.choice, func.count()).where(Decision.undone_at.is_(None)).group_by(Decision.choice)
    )
    return {Choice(choice): n for choice, n in rows}


def _corrected(session: Session) -> Counter[str]:
    rows = session.execute(
        select(Correction.cue, func.count())
        .where(Correction.undone_at.is_(None), Correction.cue.is_not(None))
        .group_by(Correction.cue)
    )
    return Counter({str(cue): n for cue, n in rows})


def _box_text(box: Sequence[float] | None) -> str | None:
    return None if box is None else ",".join(f"{side:g}" for side in box)
