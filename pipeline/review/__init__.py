"""The moderator's page in the browser, over the records."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import uvicorn

from pipeline import store
from pipeline.fitting_night import read_fitting_night
from pipeline.intake import NothingToDo, photos_from, read_listings
from pipeline.records import people
from pipeline.records.database import Store, store_url
from pipeline.records.house import House
from pipeline.records.take_in import take_in
from pipeline.review.app import create_app

__all__ = ["Serving", "create_app", "serve"]

_KEEP_OPEN_S = 120  # longer than most look at a listing: a line shut just as they decide would lose their request
_LOOPBACK = ("127.0.0.1", "localhost", "::1", "[::1]")


@dataclass(frozen=True, slots=True)
class Serving:
    """What to serve, and where.

    `listings` None takes the file that the run names; `store_url` None a SQLite file in the run's folder; `names` are
    what else the page may be called by in an address, beside the loopback ones and `host`.
    """

    run_dir: Path
    listings: Path | None
    store_url: str | None
    host: str
    port: int
    references: Path
    models: Path
    house: House
    names: Sequence[str] = ()


def serve(options: Serving, say: Callable[[str], None]) -> None:
    """Take the run in and serve the page until stopped.

    Args:
        options: what, where.
        say: prints a line for the person who started it.

    Raises:
        NothingToDo: if there is no run, or no database.
        ConfigError: if what nights are compared with is not as it should be.
    """
    records = _open(options)
    try:
        listings = _listings_file(options)
        read, _problems = read_listings(listings)
        elsewhere = store.read_about(options.run_dir).photos
        moment = datetime.now(UTC)
        named = {one.listing_id: one for one in read}
        taken = take_in(
            records,
            options.run_dir,
            named,
            photos_from(elsewhere.split()) if elsewhere else listings.parent,
            moment,
            options.house,
        )
        say(
            f"{taken.listings} listings taken in, {taken.new} of them new."
            if taken.listings
            else "Nothing new to take in."
        )
        with records.writing() as db:
            token = people.first_start_token(db, options.house, moment)
        address = f"http://{_in_address(options.host)}:{options.port}"
        if token:
            say(f"Nobody has an account yet. This link makes the first one, once: {address}/join/{token}")
        say(f"The page: {address} (stop with Ctrl-C)")
        hosts = [*_LOOPBACK, options.host, *options.names]
        fitting = read_fitting_night(options.models)
        app = create_app(records, options.house, options.references, hosts, fitting)
        uvicorn.run(
            app,
            host=options.host,
            port=options.port,
            log_level="warning",
            server_header=False,
            timeout_keep_alive=_KEEP_OPEN_S,
        )
    finally:
        records.close()


def _open(options: Serving) -> Store:
    if not (options.run_dir / store.QUEUE).is_file():
        raise NothingToDo(
            f"{options.run_dir}: there is no run here; write one with: denim-triage scan LISTINGS --out DIR"
        )
    try:
        return Store(options.store_url or store_url(options.run_dir))
    except ValueError as err:
        raise NothingToDo(str(err)) from err


def _listings_file(options: Serving) -> Path:
    if options.listings is not None:
        return options.listings
    named = store.read_about(options.run_dir).listings
    if not named:
        raise NothingToDo(f"{options.run_dir}: does not say which listings it is of; name their file with --listings")
    return options.run_dir / named


def _in_address(host: str) -> str:
    return f"[{host}]" if ":" in host else host
