"""A fresh database for each test: SQLite for all, PostgreSQL for those that run slowly."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from uuid import uuid4

import psycopg
import pytest
from argon2 import PasswordHasher

from pipeline.records import people
from pipeline.records.database import Store
from pipeline.records.house import House
from tests.postgres_server import running_postgres


@pytest.fixture(scope="session")
def postgres() -> Iterator[str]:
    """A server with the database `empty`, which has all tables, to be copied."""
    with running_postgres() as url:
        with psycopg.connect(f"{url}/postgres", autocommit=True) as admin:
            admin.execute("CREATE DATABASE empty")
        Store(f"{url}/empty").close()
        yield url


@pytest.fixture(scope="session")
def empty_sqlite(tmp_path_factory) -> Path:
    """A file with all tables, to be copied: migrating takes a while."""
    path = tmp_path_factory.mktemp("empty") / "records.db"
    Store(f"sqlite:///{path}").close()
    return path


@pytest.fixture(params=["sqlite", pytest.param("postgres", marks=pytest.mark.slow)])
def records(request, tmp_path) -> Iterator[Store]:
    if request.param == "sqlite":
        path = shutil.copy(request.getfixturevalue("empty_sqlite"), tmp_path / "records.db")
        url = f"sqlite:///{path}"
    else:
        server, name = request.getfixturevalue("postgres"), f"t{uuid4().hex}"
        with psycopg.connect(f"{server}/postgres", autocommit=True) as admin:
            admin.execute(f"CREATE DATABASE {name} TEMPLATE empty")
        url = f"{server}/{name}"
    store = Store(url)
    yield store
    store.close()


@pytest.fixture
def house() -> House:
    """Nobody's opinion needs a second one, unless a test says so."""
    return House(second_share=0.0)


@pytest.fixture
def quick_hashes(monkeypatch) -> None:
    """Argon2id with the least work, as a test needs no strength."""
    people._nobodys_hash.cache_clear()
    monkeypatch.setattr(people, "_HASHER", PasswordHasher(time_cost=1, memory_cost=8, parallelism=1))
