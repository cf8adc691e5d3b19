"""The house's settings as an admin changes them on the page: their words, their bounds, what was changed to what."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from pipeline.records.audit import note_down
from pipeline.records.house import House
from pipeline.records.tables import ChangedSetting, Person


class Unit(StrEnum):
    """What a setting counts in."""

    MINUTES = "minutes"
    HOURS = "hours"
    PERCENT = "%"
    LISTINGS = "listings"
    TRIES = "tries"


class Group(StrEnum):
    """Which settings stand together."""

    DAY = "The day's work"
    HANDS = "A listing in somebody's hands"
    DOOR = "Coming in"


@dataclass(frozen=True, slots=True)
class Setting:
    """One field of `House`: what it is called, and from what to what it may go, in its unit."""

    name: str
    group: Group
    words: str
    unit: Unit
    least: int
    most: int
    why: str

    def shown(self, house: House) -> str:
        """Its value in this house, as a number in its unit."""
        return f"{self._number(house):g}"

    def told(self, value: str) -> str:
        """A value with its unit."""
        return f"{value}%" if self.unit is Unit.PERCENT else f"{value} {self.unit}"

    def read(self, text: str) -> float | None:
        """The number that somebody wrote; None if it is none, or out of bounds. Only a share may have decimals."""
        try:
            number = float(text.strip().removesuffix("%").replace(",", "."))
        except ValueError:
            return None
        is_whole = self.unit is Unit.PERCENT or number.is_integer()
        return number if is_whole and self.least <= number <= self.most else None

    @property
    def wanted(self) -> str:
        """What may be written, in a sentence."""
        number = "number" if self.unit is Unit.PERCENT else "whole number"
        return f"Write a {number} from {self.least:,} to {self.most:,}. {self.why}"

    def put(self, house: House, number: float) -> House:
        """The house with this value."""
        value: Any = {
            Unit.MINUTES: timedelta(minutes=number),
            Unit.HOURS: timedelta(hours=number),
            Unit.PERCENT: number / 100,
        }.get(self.unit, int(number))
        return replace(house, **{self.name: value})

    def _number(self, house: House) -> float:
        value: timedelta | float = getattr(house, self.name)
        if isinstance(value, timedelta):
            return value / timedelta(minutes=1) if self.unit is Unit.MINUTES else value / timedelta(hours=1)
        return 100 * value if self.unit is Unit.PERCENT else value


SETTINGS: Mapping[str, Setting] = {
    one.name: one
    for one in (
        Setting(
            "capacity", Group.DAY, "Listings that can be looked at in a day", Unit.LISTINGS, 1, 100_000,
            "The queue is marked where a day's work ends.",
        ),
        Setting(
            "random_looks", Group.DAY, "Of these, drawn by chance from the rest of the night", Unit.LISTINGS, 0, 1_000,
            "They show how many counterfeits the order misses; without any, nobody can tell.",
        ),
        Setting(
            "second_share", Group.DAY, "Opinions that a second person is asked for, unseen", Unit.PERCENT, 0, 100,
            "More shows better how far colleagues agree, and takes more of the day.",
        ),
        Setting(
            "claim", Group.HANDS, "A listing is kept for who looks at it", Unit.MINUTES, 2, 240,
            "Less would run out while somebody still looks; more keeps a forgotten one from colleagues.",
        ),
        Setting(
            "undo_within", Group.HANDS, "A decision can be taken back", Unit.MINUTES, 1, 1440,
            "Later, the listing has to be opened again with a reason.",
        ),
        Setting(
            "session", Group.DOOR, "A sign-in lasts at most", Unit.HOURS, 1, 24,
            "It counts for who signs in from now on.",
        ),
        Setting(
            "idle", Group.DOOR, "Who does nothing is signed out after", Unit.MINUTES, 5, 1440,
            "Less would sign people out while they think.",
        ),
        Setting(
            "tries_per_name", Group.DOOR, "Wrong passwords before a name has to wait", Unit.TRIES, 3, 20,
            "Fewer locks people out for a slip of the finger, more lets others guess.",
        ),
        Setting(
            "tries_per_address", Group.DOOR, "Wrong passwords before an address has to wait", Unit.TRIES, 5, 1000,
            "A whole office can share one address.",
        ),
        Setting(
            "tries_within", Group.DOOR, "Who tried too often waits", Unit.MINUTES, 5, 1440,
            "Less would let others guess.",
        ),
        Setting(
            "invitation", Group.DOOR, "A link for a colleague is good for", Unit.HOURS, 1, 336,
            "Whoever has the link can use it.",
        ),
    )
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Change:
    """What was last done to a setting, and by whom."""

    by: str
    at: datetime


class WrongSettings(Exception):
    """Some of what was written can't be; `sentences` says by setting what is wrong."""

    def __init__(self, sentences: Mapping[str, str]) -> None:
        """Keep the sentences."""
        super().__init__(" ".join(sentences.values()))
        self.sentences = sentences


def read_house(session: Session, at_start: House) -> House:
    """The house as it is now: as it was started, with what was changed on the page."""
    house = at_start
    for name, value in session.execute(select(ChangedSetting.name, ChangedSetting.value)):
        if name in SETTINGS:
            house = SETTINGS[name].put(house, value)
    return house


def read_changes(session: Session) -> dict[str, Change]:
    """Who changed which setting last."""
    rows = session.execute(
        select(ChangedSetting.name, Person.name, ChangedSetting.changed_at).join(
            Person, Person.id == ChangedSetting.changed_by
        )
    )
    return {name: Change(by, at) for name, by, at in rows}


def change_settings(
    session: Session, now: datetime, by: Person, at_start: House, written: Mapping[str, str]
) -> list[str]:
    """Change settings, each with a line in the trail.

    Args:
        session: the transaction.
        now: when.
        by: who.
        at_start: the house as it was started.
        written: what somebody wrote, by setting; those that are left out stay.

    Returns:
        A sentence for each that is another now.

    Raises:
        WrongSettings: if anything can't be; then nothing is changed.
    """
    house = before = read_house(session, at_start)
    wrong: dict[str, str] = {}
    for name, text in written.items():
        number = SETTINGS[name].read(text)
        if number is None:
            wrong[name] = SETTINGS[name].wanted
        else:
            house = SETTINGS[name].put(house, number)
    wrong = wrong or _at_odds(house)
    if wrong:
        raise WrongSettings(wrong)
    return [
        _change(session, now, by, SETTINGS[name], before, house)
        for name in written
        if getattr(house, name) != getattr(before, name)
    ]


def _at_odds(house: House) -> dict[str, str]:
    """Settings that are right by themselves and wrong together."""
    found = {}
    if house.idle > house.session:
        found["idle"] = "This would be longer than a whole sign-in lasts. Shorten it, or let a sign-in last longer."
    if house.tries_per_address < house.tries_per_name:
        found["tries_per_address"] = "An address needs at least as many tries as one name has."
    return found


def _change(session: Session, now: datetime, by: Person, setting: Setting, before: House, after: House) -> str:
    was, becomes = setting.shown(before), setting.shown(after)
    session.merge(ChangedSetting(name=setting.name, value=float(becomes), changed_by=by.id, changed_at=now))
    detail = {"setting": setting.words, "before": setting.told(was), "now": setting.told(becomes)}
    note_down(session, now, by.name, "changed a setting", detail=detail)
    return f"{setting.words}: {setting.told(becomes)} (before: {setting.told(was)})"
