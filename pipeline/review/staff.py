"""Who may come in and as what, the house's settings, and the trail of what was done."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Form, HTTPException, Query, Request, Response
from fastapi.responses import RedirectResponse
from sqlalchemy import select

from pipeline.records import people, settings
from pipeline.records.audit import TRAIL_PAGE, read_trail
from pipeline.records.settings import SETTINGS
from pipeline.records.tables import Person
from pipeline.records.words import Role
from pipeline.review.seat import MOST_ID, InRoom, Posting, Room, RowId, Seat, Seated, answer_page, may, now

router = APIRouter()


@router.get("/people")
def show_people(request: Request, room: InRoom, seat: Seated) -> Response:
    """Everybody who has an account."""
    return _people_page(request, room, seat, "")


@router.post("/people/invite")
def invite(request: Request, room: InRoom, seat: Posting, role: Annotated[Role, Form()]) -> Response:
    """Make a link for a colleague; it is shown this once."""
    may(lambda mine: mine.may_manage, seat)
    with room.records.writing() as db:
        token = people.invite(db, room.house(db), now(), role, seat.person)
    return _people_page(request, room, seat, f"{request.base_url}join/{token}")


@router.post("/people/{person_id}/password")
def renew(request: Request, room: InRoom, seat: Posting, person_id: RowId) -> Response:
    """Make a link by which a colleague chooses a new password; it is shown this once."""
    may(lambda mine: mine.may_manage, seat)
    with room.records.writing() as db:
        person = db.get(Person, person_id)
        if person is None:
            raise HTTPException(404)
        token = people.invite(db, room.house(db), now(), Role(person.role), seat.person, person)
    return _people_page(request, room, seat, f"{request.base_url}join/{token}")


@router.post("/people/{person_id}")
def change(
    room: InRoom, seat: Posting, person_id: RowId, role: Annotated[Role, Form()], is_in: Annotated[bool, Form()] = False
) -> Response:
    """Give somebody another role, or let them in no more."""
    may(lambda mine: mine.may_manage, seat)
    with room.records.writing() as db:
        person = db.get(Person, person_id)
        if person is None:
            raise HTTPException(404)
        people.change(db, now(), seat.person, person, role, is_in)
    return RedirectResponse("/people", 303)


async def _fields_of(request: Request) -> dict[str, str]:
    return {name: value for name, value in (await request.form()).items() if isinstance(value, str)}


@router.get("/settings")
def show_settings(request: Request, room: InRoom, seat: Seated) -> Response:
    """The house's settings."""
    return _settings_page(request, room, seat)


@router.post("/settings")
def change_settings(
    request: Request, room: InRoom, seat: Posting, fields: Annotated[dict[str, str], Depends(_fields_of)]
) -> Response:
    """Change those of which something else was written than the page had shown."""
    may(lambda role: role.may_manage, seat)
    written = {
        name: fields[name] for name in SETTINGS if name in fields and fields[name] != fields.get(f"shown_{name}")
    }
    try:
        with room.records.writing() as db:
            done = settings.change_settings(db, now(), seat.person, room.house_at_start, written)
    except settings.WrongSettings as err:
        return _settings_page(request, room, seat, written=written, wrong=err.sentences)
    return _settings_page(request, room, seat, done=done or ["Nothing was changed."])


@router.get("/trail")
def show_trail(
    request: Request,
    room: InRoom,
    seat: Seated,
    listing: Annotated[str, Query(max_length=200)] = "",
    person: Annotated[str, Query(max_length=60)] = "",
    before: Annotated[int | None, Query(ge=1, le=MOST_ID)] = None,
) -> Response:
    """The newest lines of the trail, or those before a line."""
    may(lambda role: role.may_manage, seat)
    with room.records.reading() as db:
        lines = read_trail(db, listing, person, before)
    named = {name: value for name, value in (("listing", listing), ("person", person)) if value}
    older = urlencode({**named, "before": lines[-1].id}) if len(lines) == TRAIL_PAGE else ""
    context = {"lines": lines, "listing": listing, "person": person, "older": older}
    return answer_page(request, room, seat, "trail.html", context)


def _people_page(request: Request, room: Room, seat: Seat, link: str) -> Response:
    may(lambda role: role.may_manage, seat)
    with room.records.reading() as db:
        everybody = db.scalars(select(Person).order_by(Person.name)).all()
        good_for = SETTINGS["invitation"]
        hours = good_for.told(good_for.shown(room.house(db)))
    context = {"everybody": everybody, "roles": list(Role), "link": link, "good_for": hours}
    return answer_page(request, room, seat, "people.html", context)


def _settings_page(
    request: Request,
    room: Room,
    seat: Seat,
    written: Mapping[str, str] = MappingProxyType({}),
    wrong: Mapping[str, str] = MappingProxyType({}),
    done: Sequence[str] = (),
) -> Response:
    """The settings with what somebody wrote into them, if it could not be taken."""
    may(lambda role: role.may_manage, seat)
    with room.records.reading() as db:
        house, changes = room.house(db), settings.read_changes(db)
    shown = {name: setting.shown(house) for name, setting in SETTINGS.items()}
    context = {
        "groups": {group: [one for one in SETTINGS.values() if one.group is group] for group in settings.Group},
        "shown": shown,
        "values": {**shown, **written},
        "at_start": {name: setting.told(setting.shown(room.house_at_start)) for name, setting in SETTINGS.items()},
        "changes": changes,
        "wrong": wrong,
        "done": done,
    }
    return answer_page(request, room, seat, "settings.html", context, 422 if wrong else 200)
