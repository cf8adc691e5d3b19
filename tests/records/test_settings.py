"""The house's settings, as changed on the page."""

from __future__ import annotations

from datetime import timedelta

import pytest

from pipeline.records.audit import read_trail
from pipeline.records.house import House
from pipeline.records.settings import SETTINGS, WrongSettings, change_settings, read_changes, read_house
from pipeline.records.tables import AuditLine
from pipeline.records.words import Role
from tests.records.inventing import NOW, a_person

START = House()


@pytest.fixture
def root(records):
    return a_person(records, "root", Role.ADMIN)


def change(records, root, **written):
    with records.writing() as db:
        return change_settings(db, NOW, root, START, written)


def house_now(records):
    with records.reading() as db:
        return read_house(db, START)


def test_every_field_of_the_house_can_be_set_and_its_usual_value_is_within_bounds():
    assert set(SETTINGS) == set(House.__slots__)
    for setting in SETTINGS.values():
        shown = setting.shown(START)
        assert setting.read(shown) is not None
        assert getattr(setting.put(START, setting.read(shown)), setting.name) == getattr(START, setting.name)


def test_what_nobody_changed_is_as_the_page_was_started(records):
    assert house_now(records) == START


def test_changed_settings_hold_from_then_on(records, root):
    done = change(records, root, capacity="120", second_share="12,5", claim="20", session="8")
    assert done[0] == "Listings that can be looked at in a day: 120 listings (before: 200 listings)"
    house = house_now(records)
    assert (house.capacity, house.second_share) == (120, 0.125)
    assert (house.claim, house.session, house.idle) == (timedelta(minutes=20), timedelta(hours=8), START.idle)


def test_each_change_leaves_a_line_in_the_trail_and_what_stays_leaves_none(records, root):
    change(records, root, claim="20", capacity="200")
    change(records, root, claim="30")
    with records.reading() as db:
        lines = read_trail(db)
        by = read_changes(db)
    assert [(line.person, line.what, line.detail) for line in lines] == [
        (
            "root",
            "changed a setting",
            {"setting": "A listing is kept for who looks at it", "before": before, "now": now},
        )
        for before, now in (("20 minutes", "30 minutes"), ("15 minutes", "20 minutes"))
    ]
    assert {name: (one.by, one.at) for name, one in by.items()} == {"claim": ("root", NOW)}


@pytest.mark.parametrize(
    ("name", "written"),
    [
        ("capacity", "0"),
        ("capacity", "100001"),
        ("capacity", "12.5"),
        ("capacity", "many"),
        ("capacity", ""),
        ("second_share", "101"),
        ("second_share", "-1"),
        ("second_share", "nan"),
        ("claim", "1"),
        ("session", "inf"),
    ],
)
def test_what_is_no_number_within_bounds_is_not_taken(name, written):
    assert SETTINGS[name].read(written) is None


def test_what_can_not_be_is_refused_with_what_can_and_nothing_is_changed(records, root):
    with pytest.raises(WrongSettings) as refused:
        change(records, root, capacity="many", idle="60")
    assert refused.value.sentences == {
        "capacity": "Write a whole number from 1 to 100,000. The queue is marked where a day's work ends."
    }
    assert house_now(records) == START
    with records.reading() as db:
        assert db.query(AuditLine).count() == 0


def test_settings_that_are_wrong_together_are_refused(records, root):
    with pytest.raises(WrongSettings, match="longer than a whole sign-in"):
        change(records, root, session="1", idle="90")
    with pytest.raises(WrongSettings, match="at least as many tries"):
        change(records, root, tries_per_name="20", tries_per_address="10")
    assert house_now(records) == START
