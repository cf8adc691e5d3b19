"""Who is asking: the session behind the cookie, the token in every form, and what a role may do."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path as FilePath
from typing import Annotated, Any

from fastapi import Depends, Form, HTTPException, Path, Request, Response
from fastapi.templating import Jinja2Templates
from sqlalchemy.orm import Session

from pipeline.cues import CUES
from pipeline.fitting_night import FittingNight
from pipeline.records import people
from pipeline.records.database import Store
from pipeline.records.house import House
from pipeline.records.settings import read_house
from pipeline.records.tables import Person
from pipeline.records.words import Choice, Role, State
from pipeline.review.pictures import Gallery

COOKIE, DOOR_COOKIE = "denim_seat", "denim_door"
MOST_ID = 2**31 - 1  # of a row; beyond it a database says no in words that are not ours
_SEEN_EVERY = timedelta(minutes=1)


@dataclass(frozen=True, slots=True)
class Room:
    """What every page needs. `fitting` is what the analyst compares nights with, if there is anything."""

    records: Store
    house_at_start: House
    fitting: FittingNight | None
    references: dict[str, dict[str, FilePath]]
    gallery: Gallery
    templates: Jinja2Templates

    def house(self, db: Session) -> House:
        """The house's settings as they are now: another process may just have changed them."""
        return read_house(db, self.house_at_start)


@dataclass(frozen=True, slots=True)
class Seat:
    """Somebody who is signed in, with the token that their forms carry."""

    person: Person
    form_token: str
    token: str

    @property
    def role(self) -> Role:
        """What they may do."""
        return Role(self.person.role)


class NotSignedIn(Exception):
    """Leads to the sign-in page."""


def now() -> datetime:
    """The clock."""
    return datetime.now(UTC)


def room_of(request: Request) -> Room:
    """The room that the application was made with."""
    room: Room = request.app.state.room
    return room


def seat_of(request: Request) -> Seat:
    """Who is signed in.

    Raises:
        NotSignedIn: if nobody is.
    """
    room, token, moment = room_of(request), request.cookies.get(COOKIE, ""), now()
    with room.records.reading() as db:
        found = people.find_session(db, room.house(db), moment, token) if token else None
    if found is None:
        raise NotSignedIn
    person, session = found
    if session.seen_at < moment - _SEEN_EVERY:
        with room.records.writing() as db:
            db.merge(session).seen_at = moment
    return Seat(person, session.form_token, token)


def poster_of(request: Request, form_token: Annotated[str, Form()] = "") -> Seat:
    """Who is signed in and sent a form of this page, not one that another site had made.

    Raises:
        HTTPException: 403 if the form's token is not the session's.
    """
    seat = seat_of(request)
    if not secrets.compare_digest(form_token.encode(), seat.form_token.encode()):
        raise HTTPException(403, "This form is too old or was not made by this page. Go back and open it again.")
    return seat


def may(allows: Callable[[Role], bool], seat: Seat) -> None:
    """Let only some roles go on.

    Raises:
        HTTPException: 403 for the others.
    """
    if not allows(seat.role):
        raise HTTPException(403, "Your account is not for this. An admin can change that.")


def answer_page(
    request: Request, room: Room, seat: Seat, template: str, context: Mapping[str, Any], status: int = 200
) -> Response:
    """A page for who is signed in, with what every such page needs."""
    common = {"seat": seat, "form_token": seat.form_token, "Choice": Choice, "State": State, "cues": CUES}
    return room.templates.TemplateResponse(request, template, {**common, **context}, status_code=status)


RowId = Annotated[int, Path(ge=0, le=MOST_ID)]
InRoom = Annotated[Room, Depends(room_of)]
Seated = Annotated[Seat, Depends(seat_of)]
Posting = Annotated[Seat, Depends(poster_of)]
