"""A database that is away for a while."""

from __future__ import annotations

import sqlite3

import psycopg
import pytest
from sqlalchemy.exc import OperationalError

from pipeline.records.database import Store
from pipeline.records.patience import Patience


def refusing(times: int, words: str):
    """Work that the database refuses so often."""
    tries = []

    def work() -> int:
        tries.append(words)
        if len(tries) <= times:
            raise OperationalError("SELECT 1", {}, sqlite3.OperationalError(words))
        return len(tries)

    return work


def test_work_is_done_again_until_the_database_is_back_and_a_person_is_told_once():
    told = []
    patience = Patience(limit_s=5, first_wait_s=0.001, most_wait_s=0.01, say=told.append)
    assert patience(refusing(4, "server closed the connection unexpectedly")) == 5
    assert len(told) == 1
    assert "server closed the connection" in told[0]


def test_patience_ends():
    patience = Patience(limit_s=0.05, first_wait_s=0.01, most_wait_s=0.01)
    with pytest.raises(ConnectionError, match="run the same again"):
        patience(refusing(10_000, "connection refused"))


@pytest.mark.parametrize(
    "words", ["database or disk is full", 'could not extend file "base/1": No space left on device']
)
def test_a_full_disk_is_told_of_at_once(words):
    with pytest.raises(OSError, match="make room"):
        Patience(limit_s=60)(refusing(1, words))


def test_what_waiting_does_not_mend_is_not_waited_for():
    with pytest.raises(OperationalError, match="no such table"):
        Patience(limit_s=60)(refusing(1, "no such table: looks"))


@pytest.mark.slow
def test_a_connection_lost_half_way_is_an_error_and_no_other_line_beside_it(postgres, caplog):
    Store(f"{postgres}/empty").close()
    lost = psycopg.connect(f"{postgres}/postgres")

    def work() -> None:
        with lost.pipeline(), psycopg.connect(f"{postgres}/postgres", autocommit=True) as admin:
            lost.execute("SELECT 1")
            admin.execute("SELECT pg_terminate_backend(%s)", [lost.info.backend_pid])
            lost.execute("SELECT 1").fetchone()

    with pytest.raises(psycopg.OperationalError):
        work()
    lost.close()
    assert not caplog.records
