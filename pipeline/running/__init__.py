"""A night's scan as it is run by a timer: one at a time, through the store, with its outcome told."""

from pipeline.running.drifting import drift_of
from pipeline.running.json_log import JsonLog, json_log
from pipeline.running.nightly import NightOrder, NightOutcome, open_if_there, run_night
from pipeline.running.planning import Plan, plan_night
from pipeline.running.purging import Purged, purge
from pipeline.running.telling import write_metrics, write_report

__all__ = [
    "JsonLog",
    "NightOrder",
    "NightOutcome",
    "Plan",
    "Purged",
    "drift_of",
    "json_log",
    "open_if_there",
    "plan_night",
    "purge",
    "run_night",
    "write_metrics",
    "write_report",
]
