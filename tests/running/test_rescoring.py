"""New networks score a store anew, and meanwhile the moderators' queue is as full as before."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator

from sqlalchemy import select

from pipeline.records import tables, take_in
from pipeline.records.database import Store
from pipeline.running import NightOrder, run_night
from pipeline.scan.batch import Night, scan_with
from pipeline.scan.looking import PhotoJob
from pipeline.scan.workers import Outcome
from pipeline.store import RunAbout
from tests.evidence.builders import evidence
from tests.scan.nights import NOW, SHEETS, HerePool, a_night

LISTINGS = 5


class Watching(HerePool):
    """Notes after every photo whose scores the queue shows."""

    def look_at_all(self, jobs: Iterable[PhotoJob]) -> Iterator[tuple[int, Outcome]]:
        for found in super().look_at_all(jobs):
            self.seen.append(scored_by(self.records))
            yield found


def scored_by(records: Store) -> Counter[str]:
    """How many of the listings that wait were scored by which networks."""
    asked = (
        select(tables.Run.model)
        .join(tables.Assessment, tables.Assessment.run_id == tables.Run.id)
        .join(tables.Listing, tables.Listing.assessment_id == tables.Assessment.id)
        .where(tables.Listing.is_open)
    )
    with records.reading() as db:
        return Counter(db.scalars(asked))


def test_while_new_networks_score_a_night_anew_the_queue_keeps_every_listing(tmp_path, monkeypatch):
    monkeypatch.setattr("pipeline.running.nightly.scan_night", scan_with)  # no networks are looked for
    monkeypatch.setattr(take_in, "_LISTINGS_AT_ONCE", 1)
    listings, url = a_night(tmp_path / "night", listings=LISTINGS), f"sqlite:///{tmp_path / 's.db'}"
    records = Store(url)

    def scanned_with(name: str, prior: float) -> list[Counter[str]]:
        """Another prior, so that the scores are others: a stand-in sees the same whatever the networks."""
        models, out = tmp_path / name, tmp_path / f"out-{name}"
        for folder in (models, out):
            folder.mkdir()
        (models / "parts.yaml").write_text(f"version: {name}")
        pool = Watching(models, listings.parent, SHEETS, 1)
        for field, value in (("looked", []), ("seen", []), ("records", records)):
            object.__setattr__(pool, field, value)
        order = NightOrder(Night(listings, out, RunAbout("listings.jsonl", name, "r")), url, 20.0)
        weights = evidence().model_copy(update={"prior_counterfeit": prior})
        run_night(order, pool, weights, lambda done, total: None, print, now=lambda: NOW)
        assert len(pool.looked) == 2 * LISTINGS
        return pool.seen

    scanned_with("old", 0.1)
    taking, lots = take_in._take, list[Counter[str]]()

    def noting(session, *given) -> int:
        lots.append(scored_by(records))
        return taking(session, *given)

    monkeypatch.setattr(take_in, "_take", noting)
    while_looking = scanned_with("new", 0.3)
    assert while_looking == [Counter(old=LISTINGS)] * 2 * LISTINGS
    assert lots == [Counter(old=LISTINGS - n) + Counter(new=n) for n in range(LISTINGS)]
    assert scored_by(records) == Counter(new=LISTINGS)
    records.close()
