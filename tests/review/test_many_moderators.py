"""Fifty moderators at once over PostgreSQL: nobody gets another's listing, no decision is lost, nobody waits.

The short run is for every day. The long one, on a machine that does nothing else:
`DENIM_ALONE=1 DENIM_DECISIONS=10000 pytest -s` on this file.
"""

from __future__ import annotations

import asyncio
import os
import random
import re
import socket
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import httpx2
import numpy as np
import psycopg
import pytest
from sqlalchemy import select

from pipeline.records import people
from pipeline.records.database import Store
from pipeline.records.house import House
from pipeline.records.tables import Decision
from pipeline.records.words import Role
from pipeline.review.seat import COOKIE, now
from tests.postgres_server import running_postgres
from tests.records.inventing import a_person, invent_listings
from tests.review.conftest import the_listings, the_run

pytestmark = pytest.mark.slow
ROOT = Path(__file__).resolve().parents[2]
MODERATORS = 50
DECISIONS = int(os.environ.get("DENIM_DECISIONS", "200"))
THINK_S = float(os.environ.get("DENIM_THINK_S", "8"))  # on average; nobody is faster for a whole day
MOST_P95_MS = 150
IS_ALONE = os.environ.get("DENIM_ALONE") == "1"  # waits are held to the goal only where nothing else runs


@pytest.fixture
def database():
    with running_postgres() as server:
        with psycopg.connect(f"{server}/postgres", autocommit=True) as admin:
            admin.execute("CREATE DATABASE review")
        yield f"{server}/review"


@pytest.fixture
def signed_in(database):
    """Listings, and fifty moderators' cookies with the tokens of their forms."""
    store = Store(database)
    invent_listings(store, DECISIONS + 4 * MODERATORS)
    seats = []
    for n in range(MODERATORS):
        person = a_person(store, f"m{n}", Role.MODERATOR)
        with store.writing() as db:
            token, session = people.start_session(db, House(), now(), person)
        seats.append((token, session.form_token))
    yield seats
    store.close()


@pytest.fixture
def address(database, signed_in, tmp_path):
    """The page as the command serves it, in a process of its own."""
    the_run(tmp_path / "run")
    listings = tmp_path / "listings.jsonl"
    listings.write_text("".join(f'{{"listing_id": "{one.listing_id}", "seller_id": "s", "listed_at": "2026-03-01", '
                                '"maker": "quillmere", "photos": []}\n' for one in the_listings()))  # fmt: skip
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = [sys.executable, "-m", "pipeline", "review", str(tmp_path / "run"), "--listings", str(listings)]
    server = subprocess.Popen([*command, "--store", database, "--port", str(port)], cwd=ROOT, stdout=subprocess.DEVNULL)
    url = f"http://127.0.0.1:{port}"
    for _ in range(300):
        try:
            httpx2.get(f"{url}/enter")
            break
        except httpx2.TransportError:
            time.sleep(0.1)
    yield url
    server.terminate()
    server.wait(10)


def _browser(url, cookie):
    # Without TLS's certificates, whose loading would hold up the other forty-nine.
    return httpx2.AsyncClient(base_url=url, cookies={COOKIE: cookie}, timeout=30, verify=False, trust_env=False)


async def moderate(url, seat, left, waits, decided):
    """One moderator: take, look, decide, until no decision is left to make."""
    cookie, form_token = seat
    form = {"form_token": form_token}
    async with _browser(url, cookie) as client:

        async def timed(kind, request):
            start = time.perf_counter()
            answer = await request
            waits[kind].append(1000 * (time.perf_counter() - start))
            return answer

        await asyncio.sleep(random.random() * THINK_S)
        where = (await timed("take", client.post("/next", data=form))).headers["location"]
        while left:
            left.pop()
            assert (await timed("look", client.get(where))).status_code == 200
            await asyncio.sleep(random.uniform(0.5, 1.5) * THINK_S)
            listing = re.match(r"/look/([^?]+)", where)[1]
            choice = {"choice": "let_go"} if random.random() < 0.7 else {"choice": "hold_back", "cues": "tab_word"}
            answer = await timed("decide", client.post(f"/decide/{listing}", data=form | choice))
            assert answer.status_code == 303, answer.text
            decided.append(listing)
            where = answer.headers["location"]


async def all_at_once(url, seats, waits, decided):
    async with _browser(url, seats[0][0]) as early:  # the first one in the morning
        for path in ("/", "/look/L000001", "/look/L000002"):
            await early.get(path)
    left = list(range(DECISIONS))
    await asyncio.gather(*(moderate(url, seat, left, waits, decided) for seat in seats))


def test_fifty_moderators_at_once_neither_collide_nor_wait(address, signed_in, database, capsys):
    waits, decided = {"take": [], "look": [], "decide": []}, []
    start = time.perf_counter()
    asyncio.run(all_at_once(address, signed_in, waits, decided))
    took = time.perf_counter() - start
    p95 = {kind: float(np.percentile(times, 95)) for kind, times in waits.items()}
    median = {kind: float(np.median(times)) for kind, times in waits.items()}
    with capsys.disabled():
        print(f"\n{len(decided)} decisions by {MODERATORS} in {took:.0f} s; p95: " +
              ", ".join(f"{kind} {ms:.0f} ms (median {median[kind]:.0f})" for kind, ms in p95.items()))  # fmt: skip
    store = Store(database)
    with store.reading() as db:
        kept = db.scalars(select(Decision)).all()
    store.close()
    looks = Counter((one.listing_id, one.look) for one in kept)
    assert len(kept) == len(decided) == DECISIONS  # none lost
    assert max(looks.values()) == 1  # none decided twice
    assert len({(one.listing_id, one.person_id) for one in kept}) == len(kept)  # nobody gives both opinions
    if IS_ALONE:
        assert p95["decide"] < MOST_P95_MS
        assert p95["look"] < MOST_P95_MS
