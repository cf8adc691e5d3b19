"""Coming in and going out: sign-in, sign-out, and links that make an account."""

from __future__ import annotations

import secrets
from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Form, HTTPException, Query, Request, Response
from fastapi.responses import RedirectResponse
from sqlalchemy.orm import Session as DbSession

from pipeline.records import people
from pipeline.records.house import Refused
from pipeline.records.tables import Person
from pipeline.review.seat import COOKIE, DOOR_COOKIE, InRoom, Posting, Room, now

router = APIRouter()
Text = Annotated[str, Form(max_length=400)]


@router.get("/enter")
def enter(request: Request, room: InRoom, back: Annotated[str, Query(max_length=600)] = "/") -> Response:
    """The sign-in page; `back` is where to go afterwards."""
    return _door_page(request, room, "enter.html", {"why": "", "back": _inside(back)})


@router.post("/enter")
def sign_in(
    request: Request,
    room: InRoom,
    name: Text = "",
    password: Text = "",
    door: Text = "",
    back: Annotated[str, Form(max_length=600)] = "/",
) -> Response:
    """Check name and password."""
    _check_door(request, door)
    moment, why = now(), "Name and password do not belong together."
    address = request.client.host if request.client else ""
    try:
        with room.records.writing() as db:
            person = people.sign_in(db, room.house(db), moment, name, password, address)
            if person is not None:
                return _seated(request, room, db, moment, person, _inside(back))
    except Refused as err:
        why = str(err)
    return _door_page(request, room, "enter.html", {"why": why, "name": name, "back": _inside(back)}, 403)


@router.post("/leave")
def sign_out(room: InRoom, seat: Posting) -> Response:
    """End the session."""
    with room.records.writing() as db:
        people.end_session(db, now(), seat.person, seat.token)
    answer = RedirectResponse("/enter", 303)
    answer.delete_cookie(COOKIE)
    return answer


@router.get("/join/{token}")
def join(request: Request, room: InRoom, token: str) -> Response:
    """The page behind a link that makes an account."""
    with room.records.reading() as db:
        found = people.invited(db, now(), token)
    if found is None:
        raise HTTPException(404, "This link has been used, or is too old. Ask for a new one.")
    return _door_page(request, room, "join.html", {"role": found[0], "of": found[1], "why": ""})


@router.post("/join/{token}")
def accept(
    request: Request, room: InRoom, token: str, name: Text = "", password: Text = "", door: Text = ""
) -> Response:
    """Make the account, and sign in."""
    _check_door(request, door)
    moment = now()
    try:
        with room.records.writing() as db:
            person = people.accept(db, moment, token, name, password)
            return _seated(request, room, db, moment, person)
    except Refused as err:
        with room.records.reading() as db:
            found = people.invited(db, moment, token)
        context: dict[str, object] = {"role": None, "of": found[1] if found else "", "why": str(err), "name": name}
        return _door_page(request, room, "join.html", context, 409)


def _inside(address: str) -> str:
    """The address if it leads to a page of this site, else the queue: nobody is led elsewhere from the door."""
    is_path = address.startswith("/") and not address.startswith("//") and "\\" not in address and address.isprintable()
    return address if is_path else "/"


def _seated(request: Request, room: Room, db: DbSession, moment: datetime, person: Person, back: str = "/") -> Response:
    token, _session = people.start_session(db, room.house(db), moment, person)
    answer = RedirectResponse(back, 303)
    answer.set_cookie(COOKIE, token, httponly=True, samesite="strict", secure=request.url.scheme == "https")
    answer.delete_cookie(DOOR_COOKIE)
    return answer


def _door_page(request: Request, room: Room, template: str, context: dict[str, object], status: int = 200) -> Response:
    """A page for who is not signed in yet; its form carries what its cookie says, which no other site can read."""
    door = request.cookies.get(DOOR_COOKIE) or secrets.token_urlsafe(24)
    answer = room.templates.TemplateResponse(request, template, {**context, "door": door}, status_code=status)
    answer.set_cookie(DOOR_COOKIE, door, httponly=True, samesite="strict", secure=request.url.scheme == "https")
    return answer


def _check_door(request: Request, door: str) -> None:
    cookie = request.cookies.get(DOOR_COOKIE, "")
    if not cookie or not secrets.compare_digest(cookie.encode(), door.encode()):
        raise HTTPException(403, "This form is too old. Go back and open it again.")
