"""The tables, and the migrations that make them."""

from __future__ import annotations

from importlib import resources

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError

from pipeline.records.audit import note_down
from pipeline.records.database import Store, migrate
from pipeline.records.tables import Base
from tests.records.inventing import NOW


def test_the_migrations_make_exactly_the_tables_that_the_code_speaks_of(records):
    with records.engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), Base.metadata) == []


def test_opening_a_database_that_is_up_to_date_changes_nothing(records):
    with records.writing() as db:
        note_down(db, NOW, "ann", "joined")
    migrate(records.engine)
    with records.reading() as db:
        assert db.execute(text("SELECT count(*) FROM audit")).scalar_one() == 1


@pytest.mark.parametrize("tampering", ["UPDATE audit SET person = 'bob'", "DELETE FROM audit"])
def test_the_database_refuses_to_change_or_remove_a_line_of_the_trail(records, tampering):
    with records.writing() as db:
        note_down(db, NOW, "ann", "joined")
    with pytest.raises(DBAPIError, match="only added to"), records.writing() as db:
        db.execute(text(tampering))


def test_no_line_of_the_trail_is_put_over_another(records):
    with records.writing() as db:
        note_down(db, NOW, "ann", "joined")
    insert = "INSERT" if records.engine.dialect.name == "postgresql" else "INSERT OR REPLACE"
    end = " ON CONFLICT (id) DO UPDATE SET person = 'bob'" if insert == "INSERT" else ""
    line = "(id, at, person, what, detail, model, rules) SELECT id, at, 'bob', what, detail, model, rules FROM audit"
    with pytest.raises(DBAPIError, match="only added to"), records.writing() as db:
        db.execute(text(f"{insert} INTO audit {line}{end}"))
    with records.reading() as db:
        assert db.execute(text("SELECT person FROM audit")).scalar_one() == "ann"


@pytest.mark.parametrize("records", [pytest.param("postgres", marks=pytest.mark.slow)], indirect=True)
def test_emptying_the_trail_at_once_is_refused_too(records):  # SQLite knows no TRUNCATE
    with pytest.raises(DBAPIError, match="only added to"), records.writing() as db:
        db.execute(text("TRUNCATE audit"))


def test_the_tables_can_be_taken_back_and_made_again(records):
    config = Config()
    config.set_main_option("script_location", str(resources.files("pipeline.records") / "migrations"))
    with records.engine.begin() as connection:
        config.attributes["connection"] = connection
        command.downgrade(config, "0005")
    migrate(records.engine)
    with records.engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), Base.metadata) == []


@pytest.mark.parametrize("url", ["nonsense", "mysql://localhost/x"])
def test_a_database_of_another_kind_is_refused_in_words(url):
    with pytest.raises(ValueError, match="database"):
        Store(url)
