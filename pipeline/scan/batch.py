"""A night of any size through the store: what was seen once is kept, and a scan goes on where it was stopped.

Five stages: read the listings; look at the photos that this judge has not looked at; search for reused photos; count
what the night shows; weigh every listing and write. Each holds some dozens of listings at a time. All that counts goes
through the store, so a scan that was stopped ends with the same rows as one that was not.
"""

from __future__ import annotations

import itertools
import os
import sys
import time
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

from pipeline.classify.genuine_memory import load_memory
from pipeline.config import EvidenceConfig
from pipeline.domain import ListingReadings, PartReading, Problem
from pipeline.evidence import assess, doubts_tonight
from pipeline.intake import CHANGED, FarPhotos, for_each, looked_at, photo_file, waiting_room
from pipeline.model_files import DetectorCard, PartsCard, read_card
from pipeline.one_processor import use_one_processor
from pipeline.ranking import place_in_queue
from pipeline.records.looks import (
    Look,
    LookKey,
    Shown,
    forget_set_aside,
    keep_looks,
    keep_showings,
    known_looks,
    moved_to,
    read_looks,
)
from pipeline.records.patience import PatientStore
from pipeline.scan.engine import Engine
from pipeline.scan.judge import judges_of
from pipeline.scan.looking import PhotoJob, Seen
from pipeline.scan.night import notices_of, readings_of
from pipeline.scan.reuse import search_for_reuse
from pipeline.scan.spool import Spool, Spooled, Wanted
from pipeline.scan.workers import TRIES, Outcome, SetAside
from pipeline.store import RunAbout, RunWriter

OnProgress = Callable[[int, int], None]
_InHand = dict[int, tuple[LookKey, str]]  # look and photo by the number of the job; gone once what was seen is written
_LISTINGS_AT_ONCE = 64
_KEEP_AFTER_S = 1.0  # outcomes are written this often, or when there are many; what is lost on a kill is done again
_KEEP_AFTER = 200


@dataclass(frozen=True, slots=True)
class Night:
    """What to scan, and into which folder."""

    listings: Path
    out: Path
    about: RunAbout
    wanted: Wanted = field(default_factory=Wanted)
    tries_again: bool = False  # what was set aside


@dataclass(frozen=True, slots=True)
class Means:
    """What a night is scanned with. `now` is only written down; nothing depends on it."""

    records: PatientStore
    pool: Engine
    evidence: EvidenceConfig
    index_dir: Path  # of earlier photos
    now: Callable[[], datetime] = lambda: datetime.now(UTC)


@dataclass(slots=True)
class Counts:
    """What came in and what was done with it. `seconds` of wall time by stage."""

    rows: int = 0
    listings: int = 0
    photos: int = 0
    looked_at: int = 0  # photos that a network saw this time
    not_to_do: int = 0  # photos that had been looked at before, or stand here twice, or can't be read
    unreadable: int = 0
    set_aside: int = 0
    problems: int = 0
    refused: int = 0
    reused: int = 0  # listings with a photo of another seller
    seconds: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class NightDone:
    """A scan's outcome; the rows stand in the run's files. `first_problems` are some to show."""

    counts: Counts
    first_problems: tuple[Problem, ...]
    notices: tuple[str, ...]


def scan_night(night: Night, means: Means, on_progress: OnProgress, top_problems: int = 5) -> NightDone:
    """Scan a night and write its run.

    Args:
        night: what.
        means: with what.
        on_progress: called with (photos done, photos in all).
        top_problems: how many problems to give back; all of them stand in the run's file.

    Raises:
        NothingToDo: if the listings can't be read at all.
        ConfigError: if a network is missing or is not the one its card speaks of.
        OSError: if there is no room or no right to write.
    """
    models = means.pool.models_dir
    read_card(models, "detector", DetectorCard)  # a wrong network is refused here, before workers start
    memory = load_memory(models, read_card(models, "parts", PartsCard))
    done = scan_with(night, means, on_progress, top_problems)
    return done if not isinstance(memory, str) else replace(done, notices=(memory, *done.notices))


def scan_with(night: Night, means: Means, on_progress: OnProgress, top_problems: int = 5) -> NightDone:
    """As `scan_night`, without looking whether the networks are there: whatever the pool loads looks at the photos."""
    use_one_processor()  # this process puts together what the workers see; it must not take their processors
    return _Scanning(night, means, on_progress).run(top_problems)


class _Scanning:
    """One scan."""

    def __init__(self, night: Night, means: Means, on_progress: OnProgress) -> None:
        self._night, self._means, self._on_progress = night, means, on_progress
        self._sheets = means.pool.sheets
        self._judges = judges_of(means.pool.models_dir, self._sheets)
        self._counts = Counts()

    def run(self, top_problems: int) -> NightDone:
        """All stages."""
        counts, first = self._counts, list[Problem]()
        with Spool(self._night.out) as spool, RunWriter(self._night.out) as run:

            def tell(problem: Problem) -> None:
                counts.problems += 1
                counts.refused += problem.refused
                if len(first) < top_problems:
                    first.append(problem)
                run.add_problem(problem)

            with self._timed("reading"):
                spool.fill(self._night.listings, self._sheets, self._night.wanted, tell)
                counts.rows, counts.listings, counts.photos = spool.rows, spool.listings, spool.photos
            with self._timed("looking"):
                self._look(spool)
            with self._timed("reuse"):
                threads = min(os.cpu_count() or 1, self._means.pool.workers or sys.maxsize)  # no worker is busy now
                entries = search_for_reuse(spool.read(), self._means.records, self._means.index_dir, threads)
                counts.reused = sum(
                    one.reuse is not None and bool(one.reuse.matches) for one in spool.searched(entries)
                )
            with self._timed("counting"):
                tonight = doubts_tonight(self._readings(spool.read()), self._sheets, self._means.evidence)
            counts.set_aside = 0  # the stage before met them, too
            with self._timed("weighing"):
                places: list[tuple[float, float, str]] = []
                for one in self._readings(_noted(spool.read_searched(), run)):
                    assessment = assess(one, self._sheets[one.listing.maker], self._means.evidence, tonight)
                    places.append(place_in_queue(assessment))
                    run.add(assessment)
                    for part in one.parts:
                        run.add_part(part)
                    for problem in one.problems:
                        tell(problem)
                run.finish(sorted(range(len(places)), key=places.__getitem__), self._night.about)
        return NightDone(counts, tuple(first), notices_of(tonight))

    @contextmanager
    def _timed(self, stage: str) -> Iterator[None]:
        start = time.perf_counter()
        yield
        self._counts.seconds[stage] = round(time.perf_counter() - start, 2)

    def _look(self, spool: Spool) -> None:
        """Every photo that its judge has not looked at, as workers come free."""
        if self._night.tries_again:
            self._means.records.write(forget_set_aside, self._judges.values())
        in_hand: _InHand = {}
        settled: dict[int, Look | None] = {}
        written_s, root = time.monotonic(), self._means.pool.photos_root
        with waiting_room(root) if isinstance(root, FarPhotos) else nullcontext():
            for number, outcome in self._means.pool.look_at_all(self._jobs(spool, in_hand)):
                key, path = in_hand[number]
                settled[number] = self._as_look(key, outcome)
                looked_at(root, path)
                self._counts.looked_at += 1
                self._tell_progress()
                if len(settled) >= _KEEP_AFTER or time.monotonic() - written_s > _KEEP_AFTER_S:
                    self._keep(settled, in_hand)
                    written_s = time.monotonic()
        self._keep(settled, in_hand)

    def _jobs(self, spool: Spool, in_hand: _InHand) -> Iterator[PhotoJob]:
        """What is to be looked at, a few listings ahead of the workers; each is noted in `in_hand` by its number."""
        numbers = itertools.count()
        for entries in _some_at_once(spool.hashed(self._with_files(spool.read_listings()))):
            wanted: dict[LookKey, PhotoJob] = {}
            for entry in entries:
                for file in entry.photos:
                    if file.sha256 is not None:
                        job = PhotoJob(file.path, entry.listing.maker, file.sha256)
                        wanted.setdefault(self._key(entry, file.sha256), job)
            self._note_showings(entries)
            new = wanted.keys() - self._means.records.read(known_looks, wanted.keys())
            new -= {key for key, _ in in_hand.values()}
            for path in {file.path for entry in entries for file in entry.photos} - {wanted[key].path for key in new}:
                looked_at(self._means.pool.photos_root, path)
            photos = sum(len(entry.photos) for entry in entries)
            self._counts.unreadable += sum(file.sha256 is None for entry in entries for file in entry.photos)
            self._counts.not_to_do += photos - len(new)
            self._tell_progress()
            for key, job in wanted.items():
                if key in new:
                    in_hand[next(numbers)] = key, job.path
                    yield job

    def _with_files(self, entries: Iterable[Spooled]) -> Iterator[Spooled]:
        """The listings with what their photo files are."""
        for some in _some_at_once(entries):
            paths = [path for entry in some for path in entry.listing.photos]
            found = iter(for_each(photo_file, self._means.pool.photos_root, paths))
            for entry in some:
                yield replace(entry, photos=tuple(itertools.islice(found, len(entry.listing.photos))))

    def _note_showings(self, entries: Collection[Spooled]) -> None:
        now = self._means.now()
        shown = [
            Shown(file.sha256, one.listing_id, one.seller_id, one.listed_at, file.path)
            for entry in entries
            for one in (entry.listing,)
            for file in entry.photos
            if file.sha256 is not None
        ]
        self._means.records.write(keep_showings, shown, now)

    def _as_look(self, key: LookKey, outcome: Outcome) -> Look | None:
        """What to keep of an outcome; None where the file was another one by then."""
        if isinstance(outcome, Seen):
            return Look(key, outcome.parts, outcome.fingerprint)
        if outcome.reason == CHANGED:
            return None
        return Look(key, problem=outcome.reason, tries=TRIES if isinstance(outcome, SetAside) else 1)

    def _keep(self, settled: dict[int, Look | None], in_hand: _InHand) -> None:
        """Write what was seen, and empty `settled`."""
        looks = [look for look in settled.values() if look is not None]
        now = self._means.now()
        self._means.records.write(keep_looks, looks, now)
        for number in settled:
            del in_hand[number]
        settled.clear()

    def _readings(self, night: Iterable[Spooled]) -> Iterator[ListingReadings]:
        """Every listing with what was seen of it."""
        for entries in _some_at_once(night):
            keys = {self._key(entry, file.sha256) for entry in entries for file in entry.photos if file.sha256}
            looks = self._means.records.read(read_looks, keys)
            for entry in entries:
                yield self._readings_of(entry, looks)

    def _readings_of(self, entry: Spooled, looks: Mapping[LookKey, Look]) -> ListingReadings:
        listing, parts, problems = entry.listing, list[PartReading](), list[Problem]()
        for file in entry.photos:
            look = None if file.sha256 is None else looks.get(self._key(entry, file.sha256))
            reason = file.problem or (CHANGED if look is None else look.problem)
            if reason is not None:
                self._counts.set_aside += look is not None and look.tries > 1
                problems.append(Problem(reason, listing.listing_id, file.path))
            elif look is not None:
                parts += moved_to(look.parts, file.path)
        reading, matches = (None, ()) if entry.reuse is None else (entry.reuse.reading, entry.reuse.matches)
        sheet = self._sheets[listing.maker]
        return readings_of(listing, parts, reading, matches, problems, sheet, self._means.evidence)

    def _key(self, entry: Spooled, sha256: str) -> LookKey:
        return LookKey(sha256, self._judges[entry.listing.maker])

    def _tell_progress(self) -> None:
        self._on_progress(self._counts.not_to_do + self._counts.looked_at, self._counts.photos)


def _noted(entries: Iterable[Spooled], run: RunWriter) -> Iterator[Spooled]:
    """Pass entries on and write down what their photo files are, so that nobody has to read these again."""
    for entry in entries:
        for file in entry.photos:
            run.add_file(file)
        yield entry


def _some_at_once(entries: Iterable[Spooled]) -> Iterator[list[Spooled]]:
    entries = iter(entries)
    while some := list(itertools.islice(entries, _LISTINGS_AT_ONCE)):
        yield some
