"""Listings and people invented straight in the database, for tests of what is done with them."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import numpy as np
from sqlalchemy import Column, ColumnElement, Integer, insert, select, text

from pipeline.cues import CUES
from pipeline.records import tables
from pipeline.records.database import Store
from pipeline.records.words import Role, State

NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
PASSWORD = "a long password indeed"


def invent_listings(records: Store, count: int, seed: int = 1) -> None:
    """That many open listings, each with an assessment and two signs; chances fall from the first to the last."""
    rng = np.random.default_rng(seed)
    cues = [name for name in CUES if name != "unlike_genuine"]
    with records.writing() as db:
        run = tables.Run(name="run", fingerprint="f" * 64, photos_root="/", model="m1", rules="r1", taken_in_at=NOW)
        db.add(run)
        db.flush()
        chances = np.sort(rng.beta(0.5, 3, count))[::-1]
        numbers = range(1, count + 1)
        prices = rng.integers(10, 150, count)
        db.execute(insert(tables.Listing), [_listing(n, chances[n - 1], float(prices[n - 1])) for n in numbers])
        db.execute(
            insert(tables.Assessment),
            [
                {
                    "id": n,
                    "listing_id": n,
                    "run_id": run.id,
                    "probability": chances[n - 1],
                    "log10_lr": 1,
                    "ask_for": [],
                }
                for n in numbers
            ],
        )
        db.execute(insert(tables.Unseen), [{"assessment_id": n, "cue": cues[n % len(cues)]} for n in numbers])
        db.execute(insert(tables.Reason), [_reason(n, p, cues) for n in numbers for p in (0, 1)])
        if db.get_bind().dialect.name == "postgresql":  # its counters know nothing of the numbers given above
            for table in ("listings", "assessments"):
                db.execute(text(f"SELECT setval(pg_get_serial_sequence('{table}', 'id'), {count})"))


def multiply_listings(records: Store, count: int, times: int) -> None:
    """Copy `count` invented listings inside the database until there are `times` as many, each a little less likely."""
    with records.writing() as db:
        for k in range(1, times):
            for table in (tables.Listing, tables.Assessment, tables.Reason, tables.Unseen):
                columns = table.__table__.columns
                copied = select(*(_copied(column, k, k * count) for column in columns))
                key = columns["id"] if "id" in columns else columns["assessment_id"]
                db.execute(insert(table).from_select(list(columns.keys()), copied.where(key <= count)))
        if db.get_bind().dialect.name == "postgresql":
            db.execute(text("ANALYZE"))  # as its own housekeeping does within a minute


def _copied(column: Column[Any], k: int, shift: int) -> ColumnElement[Any]:
    whole_number = isinstance(column.type, Integer)
    if whole_number and column.name in {"id", "assessment_id"}:
        return column + shift
    if column.name == "listing_id":
        return column + shift if whole_number else column + f"-{k}"
    return column * (1 - 0.0001 * k) if column.name == "probability" else column


def a_person(records: Store, name: str, role: Role = Role.MODERATOR) -> tables.Person:
    """Somebody with an account that nobody can sign in to."""
    with records.writing() as db:
        person = tables.Person(name=name, role=role, password_hash="none", is_active=True, made_at=NOW)
        db.add(person)
    return person


def _listing(n: int, chance: float, price: float) -> dict[str, object]:
    words = f"Jeans number {n}"
    return {
        "id": n,
        "listing_id": f"L{n:06d}",
        "seller_id": f"s{n % 997:04d}",
        "listed_at": "2026-03-01T20:00:00",
        "maker": "quillmere",
        "title": words,
        "description": "Worn a few times.",
        "style_number": f"QM-{n % 5}",
        "waist_in": 32,
        "leg_in": 32,
        "hardware_metal": "copper",
        "price_eur": price,
        "search": f"l{n:06d}\ns{n % 997:04d}\n{words.lower()}",
        "state": State.WAITING,
        "is_open": True,
        "round": 1,
        "assessment_id": n,
        "probability": float(chance),
        "log10_lr": 1.0,
        "expected_loss": float(chance) * price,
        "claimed_by": None,
        "claimed_until": None,
    }


def _reason(n: int, position: int, cues: list[str]) -> dict[str, object]:
    cue = cues[(n + position) % len(cues)]
    return {
        "assessment_id": n,
        "position": position,
        "cue": cue,
        "state": CUES[cue].states[1],
        "probability": 0.9,
        "log10_lr": 1.0 if position == 0 else -0.2,
        "sentence": f"{CUES[cue].words[CUES[cue].states[1]]}. Speaks strongly for a closer look.",
        "photo": None,
        "box": None,
        "measured": None,
        "note": None,
        "heat": None,
    }
