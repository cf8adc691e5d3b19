"""Accounts, sign-in, sessions."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy import select

from pipeline.records import people
from pipeline.records.audit import read_trail
from pipeline.records.house import House, Refused
from pipeline.records.tables import Person
from pipeline.records.tables import Session as SessionRow
from pipeline.records.words import Role
from tests.records.inventing import NOW, PASSWORD

HOUSE = House()
pytestmark = pytest.mark.usefixtures("quick_hashes")


@pytest.fixture
def ann(records):
    with records.writing() as db:
        token = people.first_start_token(db, HOUSE, NOW)
        return people.accept(db, NOW, token, "ann", PASSWORD)


def try_in(records, name, password, now=NOW, address="1.2.3.4"):
    with records.writing() as db:
        return people.sign_in(db, HOUSE, now, name, password, address)


def test_the_first_link_makes_an_admin_once_and_there_is_no_second_first_link(records):
    with records.writing() as db:
        token = people.first_start_token(db, HOUSE, NOW)
        assert people.accept(db, NOW, token, "ann", PASSWORD).role == Role.ADMIN
        assert people.first_start_token(db, HOUSE, NOW) is None
        with pytest.raises(Refused, match="used"):
            people.accept(db, NOW, token, "bea", PASSWORD)


def test_starting_again_before_anybody_joined_makes_the_earlier_link_useless(records):
    with records.writing() as db:
        first = people.first_start_token(db, HOUSE, NOW)
        second = people.first_start_token(db, HOUSE, NOW)
        assert people.invited(db, NOW, first) is None
        assert people.invited(db, NOW, second) == (Role.ADMIN, "")


def test_a_link_grows_too_old(records):
    with records.writing() as db:
        token = people.first_start_token(db, HOUSE, NOW)
        assert people.invited(db, NOW + HOUSE.invitation + timedelta(seconds=1), token) is None


def test_the_password_is_kept_as_argon2id_and_no_token_is_kept_as_it_is(records, ann):
    with records.writing() as db:
        token, _ = people.start_session(db, HOUSE, NOW, ann)
    with records.reading() as db:
        assert db.scalars(select(Person.password_hash)).one().startswith("$argon2id$")
        assert db.scalars(select(SessionRow.token_hash)).one() != token


@pytest.mark.parametrize("password", ["short", "x" * 201])
def test_a_password_that_is_too_short_or_too_long_is_refused(records, password):
    with records.writing() as db:
        token = people.first_start_token(db, HOUSE, NOW)
        with pytest.raises(Refused, match="12 to 200"):
            people.accept(db, NOW, token, "ann", password)


def test_only_the_right_password_lets_in(records, ann):
    assert try_in(records, "ann", PASSWORD).name == "ann"
    assert try_in(records, "ann", "a wrong password") is None
    assert try_in(records, "nobody", PASSWORD) is None


def test_after_five_wrong_tries_even_the_right_password_must_wait(records, ann):
    for _ in range(HOUSE.tries_per_name):
        assert try_in(records, "ann", "wrong") is None
    with pytest.raises(Refused, match="Wait"):
        try_in(records, "ann", PASSWORD)
    assert try_in(records, "ann", PASSWORD, NOW + HOUSE.tries_within + timedelta(seconds=1)).name == "ann"


def test_an_address_that_tries_many_names_must_wait_and_others_need_not(records, ann):
    house = House(tries_per_address=3)
    for n in range(3):
        with records.writing() as db:
            people.sign_in(db, house, NOW, f"name{n}", "wrong", "6.6.6.6")
    with pytest.raises(Refused, match="Wait"), records.writing() as db:
        people.sign_in(db, house, NOW, "ann", PASSWORD, "6.6.6.6")
    with records.writing() as db:
        assert people.sign_in(db, house, NOW, "ann", PASSWORD, "7.7.7.7").name == "ann"


@pytest.mark.parametrize("after", [HOUSE.idle, HOUSE.session])
def test_a_session_ends_when_idle_or_old(records, ann, after):
    with records.writing() as db:
        token, session = people.start_session(db, HOUSE, NOW, ann)
        if after == HOUSE.session:
            session.seen_at = NOW + HOUSE.session
    with records.reading() as db:
        assert people.find_session(db, HOUSE, NOW + after - timedelta(seconds=1), token)[0].name == "ann"
        assert people.find_session(db, HOUSE, NOW + after + timedelta(seconds=1), token) is None


def test_who_is_let_in_no_more_is_out_at_once(records, ann):
    with records.writing() as db:
        bea = people.accept(db, NOW, people.invite(db, HOUSE, NOW, Role.MODERATOR, ann), "bea", PASSWORD)
        token, _ = people.start_session(db, HOUSE, NOW, bea)
        people.change(db, NOW, ann, bea, Role.MODERATOR, False)
        assert people.find_session(db, HOUSE, NOW, token) is None
    assert try_in(records, "bea", PASSWORD) is None


def test_the_last_admin_stays(records, ann):
    with records.writing() as db, pytest.raises(Refused, match="stay admin"):
        people.change(db, NOW, ann, db.get(Person, ann.id), Role.ANALYST, True)


def test_coming_and_going_stand_in_the_trail_without_the_password(records, ann):
    try_in(records, "ann", "a wrong password")
    try_in(records, "ann", PASSWORD)
    with records.reading() as db:
        lines = read_trail(db)
    assert [line.what for line in lines][:2] == ["signed in", "failed to sign in"]
    assert not any("password" in str(line.detail) for line in lines)


def test_a_link_for_a_new_password_replaces_the_old_one_and_ends_all_sessions(records, ann):
    with records.writing() as db:
        token, _ = people.start_session(db, HOUSE, NOW, ann)
        link = people.invite(db, HOUSE, NOW, Role.ADMIN, ann, ann)
        assert people.invited(db, NOW, link) == (Role.ADMIN, "ann")
        assert people.accept(db, NOW, link, "somebody else", "another long password").id == ann.id
        assert people.find_session(db, HOUSE, NOW, token) is None
    assert try_in(records, "ann", PASSWORD) is None
    assert try_in(records, "ann", "another long password").name == "ann"
