"""The moderator's desk: the queue, one listing, and everything that is done to it."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Form, HTTPException, Query, Request, Response
from fastapi.responses import RedirectResponse
from sqlalchemy.orm import Session as DbSession

from pipeline.cues import CUES, VIEWS
from pipeline.domain import Photo
from pipeline.records import claims, deciding, dossier, queue
from pipeline.records.agreement import read_agreement
from pipeline.records.house import Refused
from pipeline.records.tables import Decision, Listing, Part, Reason
from pipeline.records.words import Choice, Order, State
from pipeline.review import pictures, showing
from pipeline.review.seat import MOST_ID, InRoom, Posting, Room, RowId, Seat, Seated, answer_page, may, now
from pipeline.review.strength import TOTAL_LOG10_LR, strength
from pipeline.review.way import AskedWay, PostedWay, Way, within_of

router = APIRouter()
Short = Annotated[str, Query(max_length=200)]
Words = Annotated[str, Form(max_length=4000)]
Ticked = Annotated[list[str], Form(max_length=40)]
_FOREVER = {"Cache-Control": "private, max-age=31536000, immutable"}


@router.get("/")
def show_queue(
    request: Request,
    room: InRoom,
    seat: Seated,
    state: Short = "open",
    maker: Short = "",
    style: Short = "",
    seller: Short = "",
    cue: Short = "",
    unseen: Short = "",
    words: Short = "",
    order: Order = Order.SUSPICION,
    page: Annotated[int, Query(ge=1, le=1_000_000)] = 1,
) -> Response:
    """A page of the queue."""
    filters = queue.Filters(state, maker, style, seller, cue, unseen, words, order)
    moment = now()
    with room.records.reading() as db:
        found = queue.read_page(db, filters, page)
        makers, styles = queue.choices_to_filter_by(db)
        context = {
            "filters": filters,
            "page": found,
            "counts": queue.count_states(db),
            "makers": makers,
            "styles": styles,
            "kept": claims.count_kept(db, moment),
            "agreement": read_agreement(db),
            "today": _today(db, room, seat, moment),
        }
    asked = {name: value for name, value in request.query_params.items() if name != "page" and value}
    link = "/?" + urlencode(asked) + ("&" if asked else "")
    is_filtered = bool(asked.keys() - {"order"})
    way = Way(order, within_of(filters))
    more = {
        "way": way,
        "is_filtered": is_filtered,
        "states": list(State),
        "orders": list(Order),
        "link": link,
        "strength": _total,
    }
    return answer_page(request, room, seat, "queue.html", context | more)


@router.post("/next")
def go_on(room: InRoom, seat: Posting, way: PostedWay) -> Response:
    """The next listing, kept for who asks."""
    may(lambda role: role.may_decide, seat)
    with room.records.writing() as db:
        listing = claims.next_for(db, seat.person, room.house(db), now(), way.order, way.conditions)
    return _to_listing(listing, way)


@router.get("/look/{listing_id:path}")
def show_listing(
    request: Request,
    room: InRoom,
    seat: Seated,
    listing_id: str,
    way: AskedWay,
    after: Annotated[int, Query(ge=0, le=MOST_ID)] = 0,
    taken_back: bool = False,
) -> Response:
    """One listing with everything beside it."""
    moment = now()
    with room.records.reading() as db:
        listing = _listing(db, listing_id)
        file = dossier.read_dossier(db, listing)
        is_mine = listing.claimed_by == seat.person.id and listing.is_open and seat.role.may_decide
        ahead = claims.upcoming_for(db, seat.person, moment, way.order, way.conditions) if is_mine else ()
        context = {
            "ahead": [link for one in ahead for link in _pictures_of(db, one)],
            "today": _today(db, room, seat, moment),
            "before": _own_decision(db, seat, after),
            "taken_back": taken_back,
            "for_others": not is_mine and claims.is_for_others(db, seat.person, listing),
            "seconds_kept": round(room.house(db).claim.total_seconds()),
        }
    return answer_page(
        request, room, seat, "listing.html", context | _listing_context(room, seat, file, is_mine, moment, way)
    )


@router.get("/done")
def show_done(request: Request, room: InRoom, seat: Seated, way: AskedWay) -> Response:
    """Nothing is left for this person."""
    with room.records.reading() as db:
        context = {"today": _today(db, room, seat, now()), "way": way}
    return answer_page(request, room, seat, "done.html", context)


@router.post("/take/{listing_id:path}")
def take(room: InRoom, seat: Posting, listing_id: str, way: PostedWay) -> Response:
    """Keep this very listing."""
    may(lambda role: role.may_decide, seat)
    with room.records.writing() as db:
        listing = _listing(db, listing_id)
        claims.take(db, seat.person, room.house(db), now(), listing)
    return _to_listing(listing, way)


@router.post("/still/{listing_id:path}")
def still_looking(room: InRoom, seat: Posting, listing_id: str) -> Response:
    """Sent by the open page now and then: 204 if the listing is still theirs, 409 if not."""
    with room.records.writing() as db:
        kept = claims.extend(db, seat.person, room.house(db), now(), _listing(db, listing_id).id)
    return Response(status_code=204 if kept else 409)


@router.post("/decide/{listing_id:path}")
def decide(
    room: InRoom,
    seat: Posting,
    listing_id: str,
    way: PostedWay,
    choice: Annotated[Choice, Form()],
    cues: Ticked = [],  # noqa: B006 - FastAPI copies it
    words: Words = "",
    views: Ticked = [],  # noqa: B006
    message: Words = "",
) -> Response:
    """Decide, and go on to the next listing."""
    may(lambda role: role.may_decide, seat)
    moment = now()
    asked = tuple(view for view in views if view in VIEWS)
    if choice is Choice.ASK and asked and not message.strip():
        message = showing.message_for(asked)
    said = deciding.Said(choice, tuple(cue for cue in cues if cue in CUES), words, asked, message)
    with room.records.writing() as db:
        house = room.house(db)
        decision = deciding.decide(db, seat.person, house, moment, _listing(db, listing_id), said)
        following = claims.next_for(db, seat.person, house, moment, way.order, way.conditions)
    return _to_listing(following, way, after=decision.id)


@router.post("/undo")
def undo(room: InRoom, seat: Posting, way: PostedWay) -> Response:
    """Take back one's latest decision."""
    may(lambda role: role.may_decide, seat)
    with room.records.writing() as db:
        listing = deciding.undo(db, seat.person, room.house(db), now())
    return _to_listing(listing, way, taken_back="true")


@router.post("/correct/{listing_id:path}")
def correct(
    room: InRoom,
    seat: Posting,
    listing_id: str,
    cue: Annotated[str, Form(max_length=40)] = "",
    truly: Annotated[str, Form(max_length=40)] = "",
    part_id: Annotated[int, Form(ge=0, le=MOST_ID)] = 0,
    box: Annotated[str, Form(max_length=80)] = "",
) -> Response:
    """Say that a cue was read wrongly, or that a box is wrong; once more takes it back."""
    may(lambda role: role.may_decide, seat)
    with room.records.writing() as db:
        listing, moment = _listing(db, listing_id), now()
        if part_id:
            part = db.get(Part, part_id)
            if part is None or part.assessment_id != listing.assessment_id:
                raise HTTPException(404, "There is no such box on this listing.")
            deciding.correct_box(db, seat.person, moment, listing, part, _box(box))
        else:
            reason = _reason(db, listing, cue)
            deciding.correct_cue(db, seat.person, moment, listing, cue, reason.state, _true_state(cue, reason, truly))
    return RedirectResponse(f"/look/{quote(listing_id)}", 303)


@router.post("/note/{listing_id:path}")
def note(room: InRoom, seat: Posting, listing_id: str, words: Words = "") -> Response:
    """Leave a note."""
    with room.records.writing() as db:
        deciding.add_note(db, seat.person, now(), _listing(db, listing_id), words)
    return RedirectResponse(f"/look/{quote(listing_id)}#notes", 303)


@router.post("/again/{listing_id:path}")
def open_again(room: InRoom, seat: Posting, listing_id: str, words: Words = "") -> Response:
    """Open a decided listing again."""
    may(lambda role: role.may_decide, seat)
    with room.records.writing() as db:
        deciding.open_again(db, seat.person, now(), _listing(db, listing_id), words)
    return RedirectResponse(f"/look/{quote(listing_id)}", 303)


@router.get("/photo/{sha256}/{width}")
def photo(room: InRoom, seat: Seated, sha256: str, width: int) -> Response:
    """A photo by its hash, made anew from its pixels."""
    if width not in pictures.WIDTHS:
        raise HTTPException(404)

    def make() -> bytes | None:
        whole = photo_of(room, sha256)
        return None if whole is None else pictures.resized(whole, width)

    return picture_answer(room.gallery.picture(f"{sha256}/{width}", make))


@router.get("/crop/{assessment_id}/{position}")
def crop(room: InRoom, seat: Seated, assessment_id: RowId, position: RowId) -> Response:
    """What a reason was seen on."""
    with room.records.reading() as db:
        reason = db.get(Reason, (assessment_id, position))
    if reason is None or reason.photo is None:
        raise HTTPException(404)
    sha256, box, heat = reason.photo, reason.box, reason.heat

    def make() -> bytes | None:
        whole = photo_of(room, sha256)
        return None if whole is None else pictures.cropped(whole, box, heat)

    return picture_answer(room.gallery.picture(f"crop/{assessment_id}/{position}", make))


@router.get("/reference/{maker}/{name}")
def reference(room: InRoom, seat: Seated, maker: str, name: str) -> Response:
    """A genuine part to compare with."""
    path = room.references.get(maker, {}).get(name)
    if path is None:
        raise HTTPException(404)
    return picture_answer(room.gallery.picture(f"reference/{maker}/{name}", lambda: pictures.reference(path)))


def _listing_context(
    room: Room, seat: Seat, file: dossier.Dossier, is_mine: bool, moment: datetime, way: Way
) -> dict[str, Any]:
    listing = file.listing
    references = room.references.get(listing.maker, {})
    eyes = showing.Eyes(seat.person.id, _is_blind(file, seat))
    telling, little = showing.signs_of(file, references, eyes)
    wishes = showing.wishes_of(file)
    shots = showing.shots_of(file, eyes)
    wholly_unseen, partly_unseen = showing.unseen_parts(file.unseen)
    return {
        "file": file,
        "listing": listing,
        "is_mine": is_mine,
        "is_blind": eyes.is_blind,
        "with_another": claims.is_with_another(listing, seat.person, moment),
        "total": _total(listing.log10_lr),
        "telling": telling,
        "little": little,
        "shots": shots,
        "first_shot": showing.first_shot(shots, telling),
        "wishes": wishes,
        "message": showing.message_for([wish.view for wish in wishes if wish.is_best]),
        "message_frame": showing.message_frame(),
        "wholly_unseen": wholly_unseen,
        "partly_unseen": partly_unseen,
        "doubtful": showing.doubtful_words(file),
        "marked": showing.marked,
        "way": way,
        "views": VIEWS,
        "least_words": deciding.LEAST_WORDS,
        "seconds_left": max(0, round((listing.claimed_until - moment).total_seconds()))
        if is_mine and listing.claimed_until
        else 0,
    }


def _is_blind(file: dossier.Dossier, seat: Seat) -> bool:
    """Whether the first opinion is kept from this person, who may be asked for the second."""
    listing = file.listing
    spoke = any(
        told.decision.person_id == seat.person.id and told.decision.round == listing.round for told in file.decisions
    )
    return listing.state == State.SECOND and not spoke


def _total(log10_lr: float) -> Any:  # noqa: ANN401 - a Strength, handed to a template
    return strength(log10_lr, TOTAL_LOG10_LR)


def _today(db: DbSession, room: Room, seat: Seat, moment: datetime) -> dict[str, int]:
    midnight = moment.replace(hour=0, minute=0, second=0, microsecond=0)
    mine, everybody = queue.decided_since(db, midnight, seat.person.id)
    capacity = room.house(db).capacity
    return {"everybody": everybody, "mine": mine, "capacity": capacity, "left": max(0, capacity - everybody)}


def _pictures_of(db: DbSession, listing: Listing) -> list[str]:
    """Addresses of what a listing's page will show, to fetch it early."""
    photos, crops = dossier.photos_of(db, listing), dossier.crops_of(db, listing, queue.TELLING_LOG10_LR)
    links = [f"/photo/{sha256}/{width}" for sha256 in photos for width in pictures.WIDTHS[1::-1]]
    return links + [f"/crop/{listing.assessment_id}/{position}" for position in crops]


def _own_decision(db: DbSession, seat: Seat, decision_id: int) -> tuple[Choice, str] | None:
    """What this person decided just before, to be told of."""
    decision = db.get(Decision, decision_id) if decision_id else None
    if decision is None or decision.person_id != seat.person.id or decision.undone_at is not None:
        return None
    return Choice(decision.choice), db.get_one(Listing, decision.listing_id).listing_id


def _to_listing(listing: Listing | None, way: Way, **more: int | str) -> Response:
    asked = urlencode({**way.asked, **more})
    path = "/done" if listing is None else f"/look/{quote(listing.listing_id)}"
    return RedirectResponse(path + (f"?{asked}" if asked else ""), 303)


def _listing(db: DbSession, listing_id: str) -> Listing:
    listing = dossier.find_listing(db, listing_id)
    if listing is None:
        raise HTTPException(404)
    return listing


def _reason(db: DbSession, listing: Listing, cue: str) -> Reason:
    file = dossier.read_dossier(db, listing)
    for reason in file.reasons:
        if reason.cue == cue:
            return reason
    raise HTTPException(404, "This sign was not read on this listing.")


def _true_state(cue: str, reason: Reason, truly: str) -> str | None:
    """The state it truly is: as said, or the only other one; None if there are more than two."""
    others = [state for state in CUES[cue].states if state != reason.state] if cue in CUES else []
    if truly in others:
        return truly
    return others[0] if len(others) == 1 else None


def _box(text: str) -> list[float] | None:
    if not text:
        return None
    try:
        sides = [float(side) for side in text.split(",")]
    except ValueError:
        raise Refused("The box was not understood.") from None
    if len(sides) != 4 or not all(-1 <= side <= 1e5 for side in sides) or min(sides[2:]) < 2:
        raise Refused("The box is too small, or outside the photo.")
    return sides


def photo_of(room: Room, sha256: str) -> Photo | None:
    """The decoded photo of a hash; None if its file is gone or has changed."""

    def read() -> Photo | None:
        with room.records.reading() as db:
            place = dossier.photo_place(db, sha256)
        return None if place is None else pictures.read_whole(*place, sha256)

    return room.gallery.photo(sha256, read)


def picture_answer(made: bytes | None) -> Response:
    """A picture, or that there is none."""
    if made is None:
        raise HTTPException(404)
    return Response(made, media_type="image/jpeg", headers=_FOREVER)
