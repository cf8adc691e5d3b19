"""A night's photos that stand under another seller."""

from __future__ import annotations

from collections import Counter

from pipeline.domain import CueReading
from pipeline.photo_reuse import ReuseEntry, find_reuse, reuse_reading
from pipeline.records.looks import read_fingerprints
from pipeline.records.patience import PatientStore
from pipeline.scan.moments import came_first
from pipeline.scan.spool import Spool


def reuse_readings(spool: Spool, records: PatientStore) -> dict[str, CueReading]:
    """What the search for reused photos says of every listing that has a photo to compare, by listing_id."""
    files = [(entry.listing, file.path, file.sha256) for entry in spool.read() for file in entry.photos if file.sha256]
    prints = records.read(read_fingerprints, {sha256 for _, _, sha256 in files})
    entries = [
        ReuseEntry(listing.listing_id, listing.seller_id, path, prints[sha256])
        for listing, path, sha256 in files
        if sha256 in prints
    ]
    found = find_reuse(entries)
    listed_at = {listing.listing_id: listing.listed_at for listing, _, _ in files}
    photos_of_seller = Counter(entry.seller_id for entry in entries)
    readings = {}
    for name, seller in {entry.listing_id: entry.seller_id for entry in entries}.items():
        matches = found.get(name, ())
        others = {match.other_listing_id: listed_at[match.other_listing_id] for match in matches}
        compared = len(entries) - photos_of_seller[seller]
        readings[name] = reuse_reading(matches, compared, came_first(listed_at[name], others))
    return readings
