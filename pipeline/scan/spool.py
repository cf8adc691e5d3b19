"""A night's listings on disk, read and checked once, so that a night of any size takes no more memory than a small one.

Three files beside the results, gone when the scan is: the listings that can be judged, the same with the SHA-256 of
each photo, and the same with what the search for reused photos says.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from pydantic import TypeAdapter

from pipeline.config import ReferenceSheet
from pipeline.domain import CueReading, Listing, PhotoFile, Problem, ReuseMatch
from pipeline.intake import each_listing, sheet_problem
from pipeline.scan.moments import moment_of


@dataclass(frozen=True, slots=True)
class Reuse:
    """What the search for reused photos says of a listing, and the photos that it knew again."""

    reading: CueReading
    matches: tuple[ReuseMatch, ...]


@dataclass(frozen=True, slots=True)
class Spooled:
    """A listing with its photo files in the order of `listing.photos`; `reuse` is None where none was looked for."""

    listing: Listing
    photos: tuple[PhotoFile, ...] = ()
    reuse: Reuse | None = None


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which of the listings: those listed at `since` or later (all, where that can't be told), `limit` at most."""

    since: datetime | None = None
    limit: int | None = None


_SPOOLED = TypeAdapter(Spooled)


class Spool:
    """The listings of a night. Use it as a context; its files are removed at the end.

    `listings` and `photos` count what was taken, `rows` what the file holds.
    """

    def __init__(self, folder: Path) -> None:
        """Keep the files in this folder."""
        self._read, self._hashed = folder / ".night.listings", folder / ".night.photos"
        self._searched = folder / ".night.reuse"
        self.rows = self.listings = self.photos = 0

    def __enter__(self) -> Self:
        """Itself."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, err: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Remove the files."""
        for path in (self._read, self._hashed, self._searched):
            with suppress(OSError):
                path.unlink(missing_ok=True)

    def fill(
        self,
        listings: Path,
        sheets: Mapping[str, ReferenceSheet],
        wanted: Wanted,
        on_problem: Callable[[Problem], None],
    ) -> None:
        """Read the listings.

        Args:
            listings: the marketplace's export.
            sheets: reference sheets by maker.
            wanted: which of them.
            on_problem: called with what is wrong with each row.

        Raises:
            NothingToDo: if the file can't be read or holds no row.
        """
        late: list[Problem] = []  # told after the rows' own problems, as the makers are known only then
        with self._read.open("wb") as file:
            for listing, problems in each_listing(listings):
                self.rows += 1
                if listing is not None and not self._is_wanted(listing, wanted):
                    continue
                for problem in problems:
                    on_problem(problem)
                odd = None if listing is None else sheet_problem(listing, sheets)
                if odd is not None:
                    late.append(odd)
                if listing is not None and (odd is None or not odd.refused):
                    self.listings += 1
                    self.photos += len(listing.photos)
                    file.write(_SPOOLED.dump_json(Spooled(listing)) + b"\n")
        for problem in late:
            on_problem(problem)

    def hashed(self, entries: Iterable[Spooled]) -> Iterator[Spooled]:
        """Pass entries on and keep them, now that their photo files are known."""
        return self._kept(entries, self._hashed)

    def searched(self, entries: Iterable[Spooled]) -> Iterator[Spooled]:
        """Pass entries on and keep them, now that their photos were looked for elsewhere."""
        return self._kept(entries, self._searched)

    def read_listings(self) -> Iterator[Spooled]:
        """The listings, in the order of their file."""
        return self._entries(self._read)

    def read(self) -> Iterator[Spooled]:
        """The listings with their photo files, once all were passed through `hashed`."""
        return self._entries(self._hashed)

    def read_searched(self) -> Iterator[Spooled]:
        """The same with what the search for reused photos says, once all were passed through `searched`."""
        return self._entries(self._searched)

    def _kept(self, entries: Iterable[Spooled], path: Path) -> Iterator[Spooled]:
        with path.open("wb") as file:
            for entry in entries:
                file.write(_SPOOLED.dump_json(entry) + b"\n")
                yield entry

    def _entries(self, path: Path) -> Iterator[Spooled]:
        with path.open("rb") as file:
            for line in file:
                yield _SPOOLED.validate_json(line)

    def _is_wanted(self, listing: Listing, wanted: Wanted) -> bool:
        if wanted.limit is not None and self.listings >= wanted.limit:
            return False
        moment = None if wanted.since is None else moment_of(listing.listed_at)
        return wanted.since is None or moment is None or moment >= wanted.since
