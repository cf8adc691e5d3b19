"""A night's scan as it is run by a timer: one at a time, through the store, with its outcome told."""

from pipeline.running.nightly import NightOrder, NightOutcome, run_night

__all__ = ["NightOrder", "NightOutcome", "run_night"]
