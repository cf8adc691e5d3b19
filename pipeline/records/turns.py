"""One scan at a time on a database, however many are started."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from filelock import FileLock, Timeout
from sqlalchemy import text

from pipeline.records.database import Store

_SCANS = 733_101  # the number of our lock among PostgreSQL's advisory locks; any will do that nobody else uses


class Busy(Exception):
    """Another scan works on the database."""


@contextmanager
def only_scan(records: Store) -> Iterator[None]:
    """Hold the database's turn; whoever dies lets go of it.

    Raises:
        Busy: if another scan holds it.
    """
    if records.engine.dialect.name == "postgresql":
        with records.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            if not connection.scalar(text("SELECT pg_try_advisory_lock(:n)"), {"n": _SCANS}):
                raise Busy
            yield
            connection.invalidate()  # closed for good, which lets go; it may have been lost on the way
        return
    file = records.engine.url.database
    if not file or file == ":memory:":
        yield
        return
    try:
        with FileLock(f"{file}.scanning", timeout=0):
            yield
    except Timeout as err:
        raise Busy from err
