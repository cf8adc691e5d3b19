"""What a moderator does to a listing: decide, take back, correct, note, open again. Each leaves a line in the trail."""

from __future__ import annotations

import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Select, delete, select
from sqlalchemy.orm import Session

from pipeline.records import claims
from pipeline.records.audit import note_down
from pipeline.records.house import House, Refused
from pipeline.records.tables import Asking, Correction, Decision, Listing, Note, Part, Person
from pipeline.records.words import AFTER, Choice, State

LEAST_WORDS = 10  # characters of a reason in words, so that it says something
MOST_WORDS = 2000
_SETTLES = 3
_OF_10_000 = 10_000


@dataclass(frozen=True, slots=True)
class Said:
    """A choice with what it rests on: cues ticked, words written, photos to ask the seller for."""

    choice: Choice
    cues: tuple[str, ...] = ()
    words: str = ""
    views: tuple[str, ...] = ()
    message: str = ""


def decide(session: Session, person: Person, house: House, now: datetime, listing: Listing, said: Said) -> Decision:
    """Write down what a person says about the listing that is kept for them.

    A random share of first opinions waits for a second person, who does not see the first. Two that differ wait for
    a third person.

    Raises:
        Refused: if the listing is not theirs, or a reason is missing.
    """
    session.refresh(listing, with_for_update=True)
    _check(session, listing, person, said)
    decision = Decision(
        listing_id=listing.id,
        assessment_id=listing.assessment_id,
        person_id=person.id,
        at=now,
        choice=said.choice,
        look=_look(listing),
        round=listing.round,
        cues=list(said.cues),
        words=said.words.strip(),
        state_before=listing.state,
    )
    state = _state_after(session, listing, decision, house)
    session.add(decision)
    session.flush()
    _move(listing, state)
    listing.claimed_by = listing.claimed_until = None
    if said.choice is Choice.ASK:
        session.add(
            Asking(listing_id=listing.id, decision_id=decision.id, views=list(said.views), message=said.message)
        )
    detail = {"cues": decision.cues, "words": decision.words, "look": decision.look, "then": state.says}
    note_down(session, now, person.name, said.choice.done, listing, detail)
    return decision


def undo(session: Session, person: Person, house: House, now: datetime) -> Listing:
    """Take back this person's latest decision; the listing is theirs again.

    Raises:
        Refused: if there is none, it is too long ago, or somebody has gone on from it.
    """
    decision = session.scalar(
        select(Decision)
        .where(Decision.person_id == person.id, Decision.undone_at.is_(None), Decision.at >= now - house.undo_within)
        .order_by(Decision.id.desc())
        .limit(1)
    )
    if decision is None:
        minutes = round(house.undo_within.total_seconds() / 60)
        raise Refused(f"There is nothing of yours from the last {minutes} minutes to take back.")
    listing = session.get_one(Listing, decision.listing_id, with_for_update=True)
    latest = session.scalar(
        select(Decision.id)
        .where(Decision.listing_id == listing.id, Decision.undone_at.is_(None))
        .order_by(Decision.id.desc())
        .limit(1)
    )
    if latest != decision.id or listing.round != decision.round or claims.is_with_another(listing, person, now):
        raise Refused("A colleague has gone on from your decision, so it can't be taken back. Leave a note instead.")
    claims.let_free(session, person)
    decision.undone_at = now
    session.execute(delete(Asking).where(Asking.decision_id == decision.id))  # nobody is to send that any more
    _move(listing, State(decision.state_before))
    claims.keep(listing, person, house, now)
    note_down(session, now, person.name, "took back", listing, {"was": Choice(decision.choice).done})
    return listing


def open_again(session: Session, person: Person, now: datetime, listing: Listing, words: str) -> None:
    """Open a decided listing again, as when its seller objects. Somebody else than before is to look at it.

    Raises:
        Refused: if it is open, or no reason is given.
    """
    session.refresh(listing, with_for_update=True)
    if listing.is_open:
        raise Refused("This listing is open already.")
    if len(words.strip()) < LEAST_WORDS:
        raise Refused("Say in a few words why it is opened again.")
    listing.round += 1
    _move(listing, State.WAITING)
    session.add(Note(listing_id=listing.id, person_id=person.id, at=now, words=_cut(f"Opened again: {words}")))
    note_down(session, now, person.name, "opened again", listing, {"words": _cut(words)})


def correct_cue(
    session: Session, person: Person, now: datetime, listing: Listing, cue: str, read_as: str, truly: str | None
) -> Correction:
    """Say that a cue was read wrongly; `truly` None where it is only sure what it is not.

    The same correction once more takes it back.
    """
    same = _live(listing, person).where(Correction.cue == cue, Correction.read_as == read_as)
    known = session.scalar(same if truly is None else same.where(Correction.truly == truly))
    made = Correction(cue=cue, read_as=read_as, truly=truly)
    detail = {"cue": cue, "read_as": read_as, "truly": truly}
    return _note_correction(session, person, now, listing, known, made, detail)


def correct_box(
    session: Session, person: Person, now: datetime, listing: Listing, part: Part, true_box: Sequence[float] | None
) -> Correction:
    """Say that a part's box is wrong: where it really is, or None if there is no such part.

    Saying "nothing there" once more takes it back.
    """
    known = session.scalar(_live(listing, person).where(Correction.part_id == part.id))
    box = None if true_box is None else [round(float(side), 1) for side in true_box]
    made = Correction(part_id=part.id, true_box=box)
    detail = {"part": part.part, "box": part.box, "true_box": box}
    if known is not None and box is not None:
        known.undone_at, known = now, None
    return _note_correction(session, person, now, listing, known, made, detail)


def add_note(session: Session, person: Person, now: datetime, listing: Listing, words: str) -> None:
    """Leave a note for colleagues.

    Raises:
        Refused: if it is empty.
    """
    if not words.strip():
        raise Refused("The note is empty.")
    session.add(Note(listing_id=listing.id, person_id=person.id, at=now, words=_cut(words)))
    note_down(session, now, person.name, "left a note", listing, {"words": _cut(words)})


def _live(listing: Listing, person: Person) -> Select[Correction]:
    return select(Correction).where(
        Correction.listing_id == listing.id, Correction.person_id == person.id, Correction.undone_at.is_(None)
    )


def _note_correction(
    session: Session,
    person: Person,
    now: datetime,
    listing: Listing,
    known: Correction | None,
    made: Correction,
    detail: Mapping[str, Any],
) -> Correction:
    if known is not None:
        known.undone_at = now
        note_down(session, now, person.name, "took a correction back", listing, detail)
        return known
    if listing.assessment_id is None:
        raise Refused("There is no reading to correct.")
    made.listing_id, made.assessment_id = listing.id, listing.assessment_id
    made.person_id, made.at = person.id, now
    session.add(made)
    note_down(session, now, person.name, "corrected a reading", listing, detail)
    return made


def _check(session: Session, listing: Listing, person: Person, said: Said) -> None:
    if not listing.is_open or listing.claimed_by != person.id:
        raise Refused("This listing is not yours any more: your time for it ran out, or it is decided.")
    if said.choice.hurts and not said.cues and len(said.words.strip()) < LEAST_WORDS:
        raise Refused("This can hurt somebody, so it needs a reason: tick a sign or say it in a few words.")
    if len(said.words) > MOST_WORDS:
        raise Refused(f"The reason is longer than {MOST_WORDS} characters.")
    if said.choice is Choice.ASK and not (said.views and said.message.strip()):
        raise Refused("Say which photo the seller is to be asked for.")


def _look(listing: Listing) -> int:
    return {State.SECOND: 2, State.DIFFER: _SETTLES}.get(State(listing.state), 1)


def _state_after(session: Session, listing: Listing, decision: Decision, house: House) -> State:
    choice = Choice(decision.choice)
    if choice is Choice.PUT_BACK:
        return State(listing.state)
    if not choice.is_opinion or decision.look == _SETTLES:
        return AFTER[choice]
    if decision.look == 1:
        wants_second = secrets.randbelow(_OF_10_000) < house.second_share * _OF_10_000
        return State.SECOND if wants_second else AFTER[choice]
    return AFTER[choice] if _first_opinion(session, listing) == choice else State.DIFFER


def _first_opinion(session: Session, listing: Listing) -> str | None:
    return session.scalar(
        select(Decision.choice)
        .where(
            Decision.listing_id == listing.id,
            Decision.round == listing.round,
            Decision.look == 1,
            Decision.undone_at.is_(None),
            Decision.choice.in_([choice for choice in Choice if choice.is_opinion]),
        )
        .order_by(Decision.id.desc())
        .limit(1)
    )


def _move(listing: Listing, state: State) -> None:
    listing.state, listing.is_open = state, state.is_open


def _cut(words: str) -> str:
    return words.strip()[:MOST_WORDS]
