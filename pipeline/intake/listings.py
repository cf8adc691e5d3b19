"""The marketplace's export in: one `Listing` a row, and a `Problem` for whatever a row gets wrong.

A row is refused by name only where it can't be scored at all: no readable row, no id, no maker, a second row with
the same id. Anything else that is wrong is left out of the listing, noted, and the listing still gets its place in
the queue. So the rows in always equal the listings returned plus the refused problems.
"""

from __future__ import annotations

import csv
import json
import reprlib
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Protocol

import pyarrow
import pyarrow.parquet

from pipeline.domain import Listing, Problem

MAX_NAME_CHARS = 200
MAX_TEXT_CHARS = 20_000
MAX_PHOTOS = 100
MAX_INCHES = 200
MAX_PRICE_EUR = 1e6
MAX_ROW_BYTES = 8_000_000
METALS = ("copper", "steel")
_SHOWN_CHARS = 60


class NothingToDo(Exception):
    """There is nothing to score at all; the message says why in one line."""


class HasStyles(Protocol):
    """What of a maker's reference sheet is needed here: its style numbers."""

    @property
    def styles(self) -> Collection[str]:
        """Style numbers of the maker; a mapping keyed by them will do."""


@dataclass(frozen=True, slots=True)
class _RawRow:
    """A row as it stands in the file; `broken` says why it could not be taken apart."""

    row: int
    cells: Mapping[str, object] = field(default_factory=dict)
    broken: str = ""


def read_listings(path: Path) -> tuple[list[Listing], list[Problem]]:
    """Read an export of listings.

    Args:
        path: a `.jsonl`, `.csv` (photos joined by `|`) or `.parquet` file.

    Returns:
        The listings in the file's order, and what was wrong with the rows. `Problem.row` is the line of a
        `.jsonl`, the row as a spreadsheet shows it (1 is the header) of a `.csv`, the 1-based row of a `.parquet`.

    Raises:
        NothingToDo: if the file is missing, can't be read, has an ending that is not known, or holds no row.
    """
    listings: list[Listing] = []
    problems: list[Problem] = []
    for listing, found in each_listing(path):
        problems += found
        if listing is not None:
            listings.append(listing)
    return listings, problems


def each_listing(path: Path) -> Iterator[tuple[Listing | None, list[Problem]]]:
    """Read an export row by row, holding no more than the ids of the rows before.

    Args:
        path: as for `read_listings`.

    Yields:
        A row's listing, None where the row is refused, and what was wrong with the row.

    Raises:
        NothingToDo: as for `read_listings`.
    """
    reader = {".jsonl": _jsonl_rows, ".csv": _csv_rows, ".parquet": _parquet_rows}.get(path.suffix.lower())
    if reader is None:
        raise NothingToDo(f"{path.name}: expected a file ending in .jsonl, .csv or .parquet")
    if not path.is_file():
        raise NothingToDo(f"{path}: there is no such file")
    first_row_of: dict[str, int] = {}
    rows = 0
    try:
        for raw in reader(path):
            rows += 1
            yield _taken_apart(raw, first_row_of)
    except (OSError, ValueError, csv.Error, pyarrow.ArrowException) as err:
        raise NothingToDo(f"{path.name}: the file can't be read ({_one_line(err)})") from err
    if not rows:
        raise NothingToDo(f"{path.name}: the file holds no listings")


def check_against_sheets(
    listings: Iterable[Listing], sheets: Mapping[str, HasStyles]
) -> tuple[list[Listing], list[Problem]]:
    """Keep the listings whose maker has a reference sheet.

    Args:
        listings: as read.
        sheets: reference sheets by maker.

    Returns:
        The listings that can be scored, and the problems: an unknown maker refuses the listing by name,
        an unknown style number is noted and the listing kept.
    """
    kept: list[Listing] = []
    problems: list[Problem] = []
    for listing in listings:
        problem = sheet_problem(listing, sheets)
        if problem is not None:
            problems.append(problem)
        if problem is None or not problem.refused:
            kept.append(listing)
    return kept, problems


def sheet_problem(listing: Listing, sheets: Mapping[str, HasStyles]) -> Problem | None:
    """What is wrong with a listing in the light of the sheets, as for `check_against_sheets`; None if nothing is."""
    sheet = sheets.get(listing.maker)
    if sheet is None:
        reason = f"there is no reference sheet for the maker {_shown(listing.maker)}, so it can't be judged"
        return Problem(reason=reason, listing_id=listing.listing_id, refused=True)
    if listing.style_number is not None and listing.style_number not in sheet.styles:
        reason = f"the maker has no style {_shown(listing.style_number)}; what depends on the style was left out"
        return Problem(reason=reason, listing_id=listing.listing_id)
    return None


def _taken_apart(raw: _RawRow, first_row_of: dict[str, int]) -> tuple[Listing | None, list[Problem]]:
    """A row's listing and its problems; a second row with the same id is refused."""
    cells = _Cells(raw)
    listing = cells.listing()
    if listing is None:
        return None, cells.problems
    name = listing.listing_id
    if name in first_row_of:
        reason = f"the same listing_id already stands in row {first_row_of[name]}; that one was kept"
        return None, [Problem(reason=reason, listing_id=name, row=raw.row, refused=True)]
    first_row_of[name] = raw.row
    return listing, cells.problems


class _Cells:
    """Takes one row apart, field by field, and collects what is wrong with it."""

    def __init__(self, raw: _RawRow) -> None:
        self.problems: list[Problem] = []
        self._raw = raw
        self._id: str | None = None

    def listing(self) -> Listing | None:
        """The listing, or None if the row had to be refused; `problems` says why."""
        if self._raw.broken:
            self._id = self._any_name()
            self.refuse(self._raw.broken)
            return None
        self._id = self._name("listing_id")
        if self._id is None or (maker := self._name("maker")) is None:
            return None
        return Listing(
            listing_id=self._id,
            maker=maker.strip(),
            seller_id=self._text("seller_id", MAX_NAME_CHARS, is_expected=True),
            listed_at=self._moment("listed_at"),
            title=self._text("title", MAX_TEXT_CHARS),
            description=self._text("description", MAX_TEXT_CHARS),
            style_number=self._text("style_number", MAX_NAME_CHARS) or None,
            waist_in=self._inches("waist_in"),
            leg_in=self._inches("leg_in"),
            hardware_metal=self._metal("hardware_metal"),
            price_eur=self._number("price_eur", MAX_PRICE_EUR),
            photos=self._photos("photos"),
        )

    def refuse(self, reason: str) -> None:
        """Note that the listing itself has no place in the queue."""
        self.problems.append(Problem(reason=reason, listing_id=self._id, row=self._raw.row, refused=True))

    def _note(self, reason: str) -> None:
        self.problems.append(Problem(reason=reason, listing_id=self._id, row=self._raw.row))

    def _value(self, name: str) -> object:
        value = self._raw.cells.get(name)
        return None if isinstance(value, str) and not value.strip() else value

    def _name(self, name: str) -> str | None:
        """A text without which the row can't be scored."""
        value = self._value(name)
        if isinstance(value, str) and len(value) <= MAX_NAME_CHARS:
            return _clean(value)
        self._id = self._id or self._any_name()
        if value is None:
            self.refuse(f"{name} is missing, so the row can't be scored")
        elif isinstance(value, str):
            self.refuse(f"{name} is longer than {MAX_NAME_CHARS} characters, so the row can't be scored")
        else:
            self.refuse(f"{name} should be a text but is {_shown(value)}, so the row can't be scored")
        return None

    def _any_name(self) -> str | None:
        """Whatever stands where the id should, so that the row can be refused by name."""
        value = self._value("listing_id")
        if value is None:
            return None
        return _clean(value[:MAX_NAME_CHARS]) if isinstance(value, str) else reprlib.repr(value)

    def _text(self, name: str, limit: int, *, is_expected: bool = False) -> str:
        value = self._value(name)
        if value is None:
            if is_expected:
                self._note(f"{name} is missing")
            return ""
        if not isinstance(value, str):
            self._note(f"{name} should be a text but is {_shown(value)}; it was left out")
            return ""
        if len(value) > limit:
            self._note(f"{name} has {len(value)} characters; only the first {limit} were looked at")
        return _clean(value[:limit]).strip()

    def _moment(self, name: str) -> str:
        value = self._value(name)
        if isinstance(value, date):  # a parquet timestamp; every datetime is a date
            return value.isoformat()
        text = self._text(name, MAX_NAME_CHARS, is_expected=True)
        if text and not _is_iso_moment(text):
            self._note(f"{name} should be a date and time such as 2026-03-01T18:30:00 but is {_shown(text)}")
        return text

    def _number(self, name: str, most: float) -> float | None:
        value = self._value(name)
        if value is None:
            return None
        try:
            if isinstance(value, bool) or not isinstance(value, int | float | Decimal | str):
                raise TypeError
            number = float(value)
        except (TypeError, ValueError, OverflowError):
            self._note(f"{name} should be a number but is {_shown(value)}; it was left out")
            return None
        if not 0 <= number <= most:  # not-a-number is refused here too
            self._note(f"{name} is {_shown(value)}, which can't be; it was left out")
            return None
        return number

    def _inches(self, name: str) -> int | None:
        number = self._number(name, MAX_INCHES)
        if number is not None and not number.is_integer():
            self._note(f"{name} should be whole inches but is {number:g}; it was left out")
            return None
        return None if number is None else int(number)

    def _metal(self, name: str) -> str | None:
        text = self._text(name, MAX_NAME_CHARS) or None
        if text is not None and text not in METALS:
            self._note(f"{name} should be {' or '.join(METALS)} but is {_shown(text)}; it was left out")
            return None
        return text

    def _photos(self, name: str) -> tuple[str, ...]:
        value = self._value(name)
        if isinstance(value, str):
            value = value.split("|")
        if value is not None and not isinstance(value, list):
            self._note(f"{name} should be a list of file names but is {_shown(value)}; it was left out")
            return ()
        paths = tuple(_clean(item.strip()) for item in value or () if isinstance(item, str) and item.strip())
        if len(paths) < len(value or ()):
            self._note(f"{name} holds an entry that is not a file name; it was left out")
        if not paths:
            self._note("the listing has no photos; it was scored on its text alone")
        if len(paths) > MAX_PHOTOS:
            self._note(f"the listing has {len(paths)} photos; only the first {MAX_PHOTOS} were looked at")
        return tuple(dict.fromkeys(paths[:MAX_PHOTOS]))


def _jsonl_rows(path: Path) -> Iterator[_RawRow]:
    with path.open("rb") as file:
        for number, line in enumerate(file, 1):
            if line.strip(b" \t\r\n\xef\xbb\xbf"):
                yield _jsonl_row(number, line)


def _jsonl_row(number: int, line: bytes) -> _RawRow:
    if len(line) > MAX_ROW_BYTES:
        return _RawRow(number, broken=f"the row is larger than {MAX_ROW_BYTES // 1_000_000} MB")
    try:
        cells = json.loads(line.decode("utf-8-sig"))
    except UnicodeDecodeError:
        return _RawRow(number, broken="the row is not UTF-8 text")
    except (ValueError, RecursionError):
        return _RawRow(number, broken=f"the row is not valid JSON: {_shown(line.decode('utf-8', 'replace'))}")
    if not isinstance(cells, dict):
        return _RawRow(number, broken=f"the row should be a JSON object but is {_shown(cells)}")
    return _RawRow(number, cells)


def _csv_rows(path: Path) -> Iterator[_RawRow]:
    csv.field_size_limit(MAX_ROW_BYTES)
    with path.open(encoding="utf-8-sig", errors="replace", newline="") as file:
        reader = csv.reader(file, strict=True)
        header = next(reader, [])
        missing = [name for name in ("listing_id", "maker") if name not in header]
        if header and missing:
            raise NothingToDo(f"{path.name}: the header has no column named {' or '.join(missing)}")
        number = 1
        while True:
            number += 1
            try:
                values = next(reader, None)
            except csv.Error:
                yield _RawRow(number, broken="the quotation marks in this row don't close, so it can't be taken apart")
                continue
            if values is None:
                return
            if values:
                yield _csv_row(number, header, values)


def _csv_row(number: int, header: list[str], values: list[str]) -> _RawRow:
    cells = dict(zip(header, values, strict=False))  # cells left off at the end count as empty
    if len(values) > len(header):
        return _RawRow(number, cells, f"the row has {len(values)} cells but the header has {len(header)}")
    return _RawRow(number, cells)


def _parquet_rows(path: Path) -> Iterator[_RawRow]:
    number = 0
    with pyarrow.parquet.ParquetFile(path) as file:
        missing = [name for name in ("listing_id", "maker") if name not in file.schema_arrow.names]
        if missing:
            raise NothingToDo(f"{path.name}: there is no column named {' or '.join(missing)}")
        for batch in file.iter_batches():
            for cells in batch.to_pylist():
                number += 1
                yield _RawRow(number, cells)


def _is_iso_moment(text: str) -> bool:
    try:
        datetime.fromisoformat(text)
    except ValueError:
        return False
    return True


def _clean(text: str) -> str:
    """Without half surrogate pairs, which JSON may carry and UTF-8 can't."""
    return text.encode("utf-8", "replace").decode("utf-8")


def _shown(value: object) -> str:
    """A short printable form of an untrusted value, for a sentence."""
    text = value if isinstance(value, str) else reprlib.repr(value)  # short, however large the value
    line = "".join(letter if letter.isprintable() else " " for letter in _clean(text[: 4 * _SHOWN_CHARS]))
    return f"'{line[: _SHOWN_CHARS - 1]}…'" if len(line) > _SHOWN_CHARS else f"'{line}'"


def _one_line(err: Exception) -> str:
    return " ".join(str(err).split())[:200] or type(err).__name__
