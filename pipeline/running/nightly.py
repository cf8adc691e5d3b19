"""One night from its listings file to its run and, where a store is named, to the moderators' queue."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from filelock import FileLock, Timeout

from pipeline import store
from pipeline.config import EvidenceConfig
from pipeline.domain import Listing
from pipeline.intake import NothingToDo, each_listing
from pipeline.records.database import Store, store_url
from pipeline.records.patience import Patience, PatientStore
from pipeline.records.take_in import TakenIn, take_in_each
from pipeline.records.turns import Busy, only_scan
from pipeline.scan import Engine, Means, Night, NightDone, OnProgress, scan_night

LOCK = ".scanning"


@dataclass(frozen=True, slots=True)
class NightOrder:
    """A night, the store it goes through (None: a SQLite file in its folder), and how long to wait for the store (s).

    `photo_index` is the folder of the index of earlier photos; None: beside a SQLite store, else in the night's folder.

    Where a store is named the run is taken into the moderators' queue, too; otherwise `review` does that.
    """

    night: Night
    store_url: str | None
    patience_s: float
    photo_index: Path | None = None


@dataclass(frozen=True, slots=True)
class NightOutcome:
    """What the scan did, and what came into the moderators' queue (None: nothing was to)."""

    done: NightDone
    taken_in: TakenIn | None


def run_night(
    order: NightOrder,
    pool: Engine,
    evidence: EvidenceConfig,
    on_progress: OnProgress,
    say: Callable[[str], None],
    now: Callable[[], datetime] = lambda: datetime.now(UTC),
) -> NightOutcome:
    """Scan a night.

    Args:
        order: what, where to.
        pool: what looks at photos.
        evidence: the weights.
        on_progress: called with (photos done, photos in all).
        say: told what a person should know while it runs.
        now: the moment, which is only written down.

    Raises:
        NothingToDo: if the listings or the store can't be opened, or another scan is at work there.
        ConfigError: if a network is missing or is not the one its card speaks of.
        OSError: if there is no room or no right to write.
    """
    night = order.night
    with ExitStack() as held:
        held.enter_context(_folder_alone(night.out))
        store.clear_drafts(night.out)
        records = open_store(order.store_url or store_url(night.out), order.patience_s, say)
        held.callback(records.store.close)
        try:
            held.enter_context(only_scan(records.store))
        except Busy:
            raise NothingToDo("another scan is at work on this store; wait for it, or end it first") from None
        index_dir = order.photo_index or records.store.folder_beside("photos") or night.out / "photos"
        done = scan_night(night, Means(records, pool, evidence, index_dir, now), on_progress)
        taken = None
        if order.store_url is not None:
            start = time.perf_counter()
            taken = take_in_each(records, night.out, _listings(night.listings), pool.photos_root, now())
            done.counts.seconds["taking in"] = round(time.perf_counter() - start, 2)
    return NightOutcome(done, taken)


@contextmanager
def _folder_alone(out: Path) -> Iterator[None]:
    try:
        with FileLock(out / LOCK, timeout=0):
            yield
    except Timeout:
        raise NothingToDo(f"{out}: another scan is writing there; wait for it, or name another folder") from None


def open_store(url: str, patience_s: float, say: Callable[[str], None]) -> PatientStore:
    """Open a store, and wait for it where it is away.

    Raises:
        NothingToDo: if the URL is none, or needs a package that is not installed.
        OSError: if it stays away.
    """
    patience = Patience(limit_s=patience_s, say=say)
    try:
        return PatientStore(patience(lambda: Store(url)), patience)
    except ValueError as err:
        raise NothingToDo(str(err)) from err
    except ModuleNotFoundError as err:
        raise NothingToDo(f"{err}; a PostgreSQL store needs: pip install -r requirements/review.txt") from err


def open_if_there(url: str, patience_s: float, say: Callable[[str], None]) -> PatientStore | None:
    """The store of that name, where there is one already; no SQLite file is made.

    Raises:
        NothingToDo: as for `open_store`.
        OSError: as for `open_store`.
    """
    file = url.removeprefix("sqlite:///")
    return None if file != url and not Path(file).is_file() else open_store(url, patience_s, say)


def _listings(path: Path) -> Iterator[Listing]:
    return (listing for listing, _ in each_listing(path) if listing is not None)
