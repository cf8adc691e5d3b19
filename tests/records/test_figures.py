"""Agreement and the analyst's figures, against reference libraries."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest
from sklearn.metrics import cohen_kappa_score

from pipeline.intervals import wilson
from pipeline.records import figures
from pipeline.records.agreement import cohens_kappa, read_agreement
from pipeline.records.tables import Correction, Decision, Listing
from pipeline.records.words import Choice, State
from tests.records.inventing import NOW, a_person, invent_listings

WORDS = ("let_go", "hold_back", "expert")


@given(st.lists(st.tuples(st.sampled_from(WORDS), st.sampled_from(WORDS)), min_size=2, max_size=60))
def test_cohens_kappa_is_scikit_learns(pairs):
    kappa = cohens_kappa(pairs)
    if kappa is None:  # all said one and the same word: 0 / 0
        assert len({word for pair in pairs for word in pair}) == 1
    else:
        one, other = zip(*pairs, strict=True)
        assert kappa == pytest.approx(cohen_kappa_score(one, other), abs=1e-12)


def test_no_pairs_have_no_kappa():
    assert cohens_kappa([]) is None


@given(st.integers(1, 500).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_the_interval_is_scipys_wilson_interval(counts):
    hits, n = counts
    mine, theirs = wilson(hits, n), binomtest(hits, n).proportion_ci(0.95, method="wilson")
    assert (mine.low, mine.high) == (pytest.approx(theirs.low, abs=1e-9), pytest.approx(theirs.high, abs=1e-9))


def test_nothing_seen_has_no_share():
    assert wilson(0, 0).share is None


def decided(db, person, listing_id, choice, look=1, **more):
    made = {"assessment_id": listing_id, "at": NOW, "round": 1, "cues": [], "words": "", "state_before": "waiting"}
    db.add(Decision(listing_id=listing_id, person_id=person.id, choice=choice, look=look, **(made | more)))


def test_agreement_counts_only_blind_pairs_that_stand(records):
    invent_listings(records, 6)
    ann, bea = a_person(records, "ann"), a_person(records, "bea")
    with records.writing() as db:
        for n, other in ((1, Choice.LET_GO), (2, Choice.HOLD_BACK), (3, Choice.LET_GO)):
            decided(db, ann, n, Choice.LET_GO)
            decided(db, bea, n, other, look=2)
        decided(db, ann, 4, Choice.HOLD_BACK)  # nobody looked a second time
        decided(db, ann, 5, Choice.HOLD_BACK, undone_at=NOW)
        decided(db, bea, 5, Choice.LET_GO, look=2)
        decided(db, ann, 6, Choice.ASK)  # no opinion
        decided(db, bea, 6, Choice.LET_GO, look=2)
    with records.reading() as db:
        agreement = read_agreement(db)
    assert (agreement.pairs, agreement.same) == (3, 2)


def settle(db, states):
    for n, state in enumerate(states, 1):
        listing = db.get(Listing, n)
        listing.state, listing.is_open = state, state.is_open


def test_a_signs_precision_counts_the_decided_listings_on_which_it_spoke(records):
    invent_listings(records, 90)
    with records.writing() as db:
        settle(db, [State.HELD, State.GONE, State.EXPERT, State.ASKED])
        cues = [r.cue for r in db.scalars(figures.select(figures.Reason).where(figures.Reason.position == 0).limit(3))]
        db.add(
            Correction(listing_id=1, assessment_id=1, person_id=a_person_in(db), at=NOW, cue=cues[0], read_as="other")
        )
    with records.reading() as db:
        found = {one.cue: one for one in figures.read_cue_figures(db)}
    assert [(found[cue].held.hits, found[cue].held.n) for cue in cues] == [(1, 1), (0, 1), (1, 1)]
    assert len(found) == 3
    assert found[cues[0]].corrected == 1


def a_person_in(db):
    from pipeline.records.tables import Person

    person = Person(name="ann", role="moderator", password_hash="none", is_active=True, made_at=NOW)
    db.add(person)
    db.flush()
    return person.id


def test_the_capacity_curve_counts_what_was_caught_most_suspicious_first(records):
    invent_listings(records, 6)
    with records.writing() as db:
        settle(db, [State.HELD, State.GONE, State.ASKED, State.HELD, State.GONE, State.WAITING])
    with records.reading() as db:
        assert figures.read_capacity(db) == [(0, 0.0), (1, 0.5), (2, 0.5), (3, 1.0), (4, 1.0)]


def test_each_runs_chances_are_counted_in_tenths(records):
    invent_listings(records, 50)
    with records.reading() as db:
        (run,) = figures.read_run_chances(db)
    assert sum(run.tenths) == run.listings == 50
    assert 0 < run.mean < 1
