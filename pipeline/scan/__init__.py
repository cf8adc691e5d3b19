"""A night's listings in, their assessments out: the stages put together."""

from pipeline.scan.batch import Counts, Means, Night, NightDone, OnProgress, scan_night
from pipeline.scan.engine import Engine
from pipeline.scan.night import ScanResult, look_at_listings, scan_listings
from pipeline.scan.on_ray import OnRay
from pipeline.scan.spool import Wanted
from pipeline.scan.workers import Pool

__all__ = [
    "Counts",
    "Engine",
    "Means",
    "Night",
    "NightDone",
    "OnProgress",
    "OnRay",
    "Pool",
    "ScanResult",
    "Wanted",
    "look_at_listings",
    "scan_listings",
    "scan_night",
]
