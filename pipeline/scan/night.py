"""All of a night's photos looked at, then every listing weighed."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.classify.genuine_memory import load_memory
from pipeline.config import EvidenceConfig, ReferenceSheet
from pipeline.domain import Assessment, CueReading, Listing, ListingReadings, PartReading, Problem, ReuseMatch
from pipeline.evidence import Doubts, assess, doubt_notice, doubts_tonight, resolve_style, with_style
from pipeline.model_files import DetectorCard, PartsCard, read_card
from pipeline.photo_reuse import ReuseEntry, find_reuse, reuse_reading
from pipeline.ranking import rank
from pipeline.scan.looking import PhotoJob, Seen
from pipeline.scan.moments import came_first
from pipeline.scan.workers import Outcome, Pool

OnProgress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class ScanResult:
    """Assessments most suspicious first; parts and problems in the order of the listings and their photos.

    `notices` say what was not looked at in any listing, and which signs the whole night shows to be no good, and why.
    """

    assessments: tuple[Assessment, ...]
    parts: tuple[PartReading, ...]
    problems: tuple[Problem, ...]
    notices: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Place:
    """A photo's place in the night."""

    listing: Listing
    path: str


def scan_listings(
    listings: Sequence[Listing],
    photos_root: Path,
    sheets: Mapping[str, ReferenceSheet],
    evidence: EvidenceConfig,
    models_dir: Path,
    workers: int,
    on_progress: OnProgress,
) -> ScanResult:
    """Look at every photo and weigh every listing.

    Args:
        listings: each with a maker that has a sheet; unique ids.
        photos_root: the folder that photo paths are relative to.
        sheets: reference sheets by maker.
        evidence: the weights.
        models_dir: the networks with their cards.
        workers: processes.
        on_progress: called with (photos done, photos in all).

    Raises:
        ConfigError: if a network is missing or is not the one its card speaks of.
    """
    read_card(models_dir, "detector", DetectorCard)  # a wrong network is refused here, before workers start
    memory = load_memory(models_dir, read_card(models_dir, "parts", PartsCard))
    pool = Pool(models_dir, photos_root, sheets, workers)
    readings = look_at_listings(listings, pool, evidence, on_progress)
    tonight = doubts_tonight(readings, sheets, evidence)
    return ScanResult(
        assessments=rank(assess(one, sheets[one.listing.maker], evidence, tonight) for one in readings),
        parts=tuple(part for one in readings for part in one.parts),
        problems=tuple(problem for one in readings for problem in one.problems),
        notices=(*([memory] if isinstance(memory, str) else []), *notices_of(tonight)),
    )


def notices_of(tonight: Doubts) -> tuple[str, ...]:
    """A line for each sign that is read far too often for a night of these listings."""
    return tuple(
        doubt_notice(cue, doubt.seen, doubt.departing, doubt.usual_share)
        for cue, doubt in tonight.items()
        if doubt.is_clear
    )


def look_at_listings(
    listings: Sequence[Listing], pool: Pool, evidence: EvidenceConfig, on_progress: OnProgress
) -> tuple[ListingReadings, ...]:
    """All that the photos show, listing by listing, before it is weighed; as for `scan_listings`."""
    places = [_Place(listing, path) for listing in listings for path in listing.photos]
    jobs = [PhotoJob(place.path, place.listing.maker) for place in places]
    outcomes: dict[int, Outcome] = {}
    for done, (number, outcome) in enumerate(pool.look_at_all(jobs), 1):
        outcomes[number] = outcome
        on_progress(done, len(jobs))
    return _gathered(listings, places, [outcomes[number] for number in range(len(jobs))], pool.sheets, evidence)


def _gathered(
    listings: Sequence[Listing],
    places: Sequence[_Place],
    outcomes: Sequence[Outcome],
    sheets: Mapping[str, ReferenceSheet],
    evidence: EvidenceConfig,
) -> tuple[ListingReadings, ...]:
    """Everything that needs all photos, or all of a listing's."""
    parts: dict[str, list[PartReading]] = defaultdict(list)
    problems: dict[str, list[Problem]] = defaultdict(list)
    entries: list[ReuseEntry] = []
    for place, outcome in zip(places, outcomes, strict=True):
        name = place.listing.listing_id
        if isinstance(outcome, Seen):
            parts[name] += outcome.parts
            entries.append(ReuseEntry(name, place.listing.seller_id, place.path, outcome.fingerprint))
        else:
            problems[name].append(replace(outcome, listing_id=name, photo=place.path))
    matches = find_reuse(entries)
    reuse = _reuse_readings(listings, entries, matches)
    return tuple(
        readings_of(
            listing,
            parts[listing.listing_id],
            reuse.get(listing.listing_id),
            matches.get(listing.listing_id, ()),
            problems[listing.listing_id],
            sheets[listing.maker],
            evidence,
        )
        for listing in listings
    )


def readings_of(
    listing: Listing,
    parts: Sequence[PartReading],
    reuse: CueReading | None,
    matches: Sequence[ReuseMatch],
    problems: Sequence[Problem],
    sheet: ReferenceSheet,
    evidence: EvidenceConfig,
) -> ListingReadings:
    """A listing's readings, with metal and motto compared with its style."""
    texts = [text for part in parts for text in part.texts]
    style = resolve_style(listing, texts, sheet, evidence.text_checks)
    compared = tuple(with_style(part, style) for part in parts)
    return ListingReadings(listing, compared, () if reuse is None else (reuse,), tuple(problems), tuple(matches))


def _reuse_readings(
    listings: Sequence[Listing], entries: Sequence[ReuseEntry], found: Mapping[str, Sequence[ReuseMatch]]
) -> dict[str, CueReading]:
    """What the search for reused photos says of every listing that has a photo to compare."""
    listed_at = {listing.listing_id: listing.listed_at for listing in listings}
    photos_of_seller = Counter(entry.seller_id for entry in entries)
    readings = {}
    for name, seller in {entry.listing_id: entry.seller_id for entry in entries}.items():
        matches = found.get(name, ())
        others = {match.other_listing_id: listed_at[match.other_listing_id] for match in matches}
        compared = len(entries) - photos_of_seller[seller]
        readings[name] = reuse_reading(matches, compared, came_first(listed_at[name], others))
    return readings
