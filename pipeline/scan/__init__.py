"""A night's listings in, their assessments out: the stages put together."""

from pipeline.scan.night import ScanResult, look_at_listings, scan_listings
from pipeline.scan.workers import Pool

__all__ = ["Pool", "ScanResult", "look_at_listings", "scan_listings"]
