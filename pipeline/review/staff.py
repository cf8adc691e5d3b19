"""Who may come in and as what, and the trail of what was done."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, HTTPException, Query, Request, Response
from fastapi.responses import RedirectResponse
from sqlalchemy import select

from pipeline.records import people
from pipeline.records.audit import read_trail
from pipeline.records.tables import Person
from pipeline.records.words import Role
from pipeline.review.seat import InRoom, Posting, Room, Seat, Seated, answer_page, may, now

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
        token = people.invite(db, room.house, now(), role, seat.person)
    return _people_page(request, room, seat, f"{request.base_url}join/{token}")


@router.post("/people/{person_id}/password")
def renew(request: Request, room: InRoom, seat: Posting, person_id: int) -> Response:
    """Make a link by which a colleague chooses a new password; it is shown this once."""
    may(lambda mine: mine.may_manage, seat)
    with room.records.writing() as db:
        person = db.get(Person, person_id)
        if person is None:
            raise HTTPException(404)
        token = people.invite(db, room.house, now(), Role(person.role), seat.person, person)
    return _people_page(request, room, seat, f"{request.base_url}join/{token}")


@router.post("/people/{person_id}")
def change(
    room: InRoom, seat: Posting, person_id: int, role: Annotated[Role, Form()], is_in: Annotated[bool, Form()] = False
) -> Response:
    """Give somebody another role, or let them in no more."""
    may(lambda mine: mine.may_manage, seat)
    with room.records.writing() as db:
        person = db.get(Person, person_id)
        if person is None:
            raise HTTPException(404)
        people.change(db, now(), seat.person, person, role, is_in)
    return RedirectResponse("/people", 303)


@router.get("/trail")
def show_trail(
    request: Request, room: InRoom, seat: Seated, listing: Annotated[str, Query(max_length=200)] = ""
) -> Response:
    """The newest lines of the trail."""
    may(lambda role: role.may_manage, seat)
    with room.records.reading() as db:
        lines = read_trail(db, listing or None)
    return answer_page(request, room, seat, "trail.html", {"lines": lines, "listing": listing})


def _people_page(request: Request, room: Room, seat: Seat, link: str) -> Response:
    may(lambda role: role.may_manage, seat)
    with room.records.reading() as db:
        everybody = db.scalars(select(Person).order_by(Person.name)).all()
    return answer_page(request, room, seat, "people.html", {"everybody": everybody, "roles": list(Role), "link": link})
