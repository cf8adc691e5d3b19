"""Work on a database that may be gone for a while: tried again, ever more slowly, until it is back or patience ends."""

from __future__ import annotations

import errno
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import Concatenate, ParamSpec, TypeVar

from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session
from tenacity import RetryCallState, Retrying, retry_if_exception, stop_after_delay, wait_exponential_jitter

from pipeline.records.database import Store

_Done = TypeVar("_Done")
_Given = ParamSpec("_Given")
_FULL = ("database or disk is full", "disk i/o error", "no space left on device", "could not extend file")
_PASSING = (
    "database is locked", "unable to open database file", "connection", "server closed", "terminating", "shutting down",
    "starting up", "could not translate host", "timeout", "recovery mode",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Patience:
    """How long to wait for the database in all (s), between tries at first and at most, and whom to tell."""

    limit_s: float = 900.0
    first_wait_s: float = 0.5
    most_wait_s: float = 30.0
    say: Callable[[str], None] = lambda line: None

    def __call__(self, work: Callable[[], _Done]) -> _Done:
        """Do some work that may be done twice.

        Args:
            work: one whole transaction; it is begun anew on every try.

        Returns:
            What it returns.

        Raises:
            OSError: if there is no room left to write, or the database stays away for longer than `limit_s`.
            DBAPIError: if the database says no.
        """
        tries = Retrying(
            retry=retry_if_exception(_will_pass),
            wait=wait_exponential_jitter(multiplier=self.first_wait_s, max=self.most_wait_s, jitter=self.first_wait_s),
            stop=stop_after_delay(self.limit_s),
            before_sleep=self._tell,
            reraise=True,
        )
        try:
            return tries(work)
        except DBAPIError as err:
            if any(words in str(err.orig).lower() for words in _FULL):
                raise OSError(
                    errno.ENOSPC, "no room left for the database; make room, then run the same again"
                ) from err
            if _will_pass(err):
                raise ConnectionError(
                    f"the database stayed away for {self.limit_s:.0f} s; run the same again when it is back"
                ) from err
            raise

    def _tell(self, state: RetryCallState) -> None:
        if state.attempt_number == 1:
            err = state.outcome.exception() if state.outcome else None
            why = ""
            with suppress(AttributeError):
                why = f" ({' '.join(str(err.orig).split())[:160]})"  # type: ignore[union-attr]
            self.say(f"the database does not answer{why}; waiting up to {self.limit_s:.0f} s for it")


@dataclass(frozen=True, slots=True)
class PatientStore:
    """A store whose transactions are done again while the database is away; errors as for `Patience`."""

    store: Store
    patience: Patience = Patience()

    def read(
        self, ask: Callable[Concatenate[Session, _Given], _Done], *given: _Given.args, **named: _Given.kwargs
    ) -> _Done:
        """Ask in a transaction that only reads."""

        def once() -> _Done:
            with self.store.reading() as session:
                return ask(session, *given, **named)

        return self.patience(once)

    def write(
        self, do: Callable[Concatenate[Session, _Given], _Done], *given: _Given.args, **named: _Given.kwargs
    ) -> _Done:
        """Do something in one transaction, as a whole or not at all."""

        def once() -> _Done:
            with self.store.writing() as session:
                return do(session, *given, **named)

        return self.patience(once)


def _will_pass(err: BaseException) -> bool:
    if not isinstance(err, DBAPIError):
        return False
    words = str(err.orig).lower()
    if any(full in words for full in _FULL):
        return False
    return err.connection_invalidated or any(passing in words for passing in _PASSING)
