"""The latest run beside the listings that the evidence was fitted on."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import case, func, select
from sqlalchemy.orm import Session

from pipeline.drift import Drift, compare_nights
from pipeline.fitting_night import CueCounts, FittingNight, Night
from pipeline.records.tables import Assessment, Reason, Run


@dataclass(frozen=True, slots=True)
class RunDrift:
    """A run, when it was taken in, and how it lies beside the fitting listings."""

    run: str
    taken_in: str
    drift: Drift


def read_drift(session: Session, fitting: FittingNight) -> RunDrift | None:
    """The latest run that holds a listing, beside the fitting listings; None if there is none."""
    run = session.scalar(select(Run).where(Run.id.in_(select(Assessment.run_id))).order_by(Run.id.desc()).limit(1))
    drift = None if run is None else compare_nights(read_night(session, run), run.model, run.rules, fitting)
    return None if run is None or drift is None else RunDrift(run.name, run.taken_in_at.strftime("%d %b %Y"), drift)


def read_night(session: Session, run: Run) -> Night:
    """A run in the counts that a fit leaves."""
    ratios = session.scalars(select(Assessment.log10_lr).where(Assessment.run_id == run.id)).all()
    counted = session.execute(
        select(Reason.cue, func.count(), func.count(case((Reason.log10_lr > 0, 1))))  # as `departs` has it
        .join(Assessment, Assessment.id == Reason.assessment_id)
        .where(Assessment.run_id == run.id)
        .group_by(Reason.cue)
    )
    cues = {cue: CueCounts(seen=seen, departing=departing) for cue, seen, departing in counted}
    return Night(log10_lrs=tuple(ratios), cues=cues)
