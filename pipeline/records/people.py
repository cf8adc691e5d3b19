"""Accounts, sign-in, sessions, invitations. Passwords are kept as Argon2id hashes, tokens as SHA-256."""

from __future__ import annotations

import hashlib
import secrets
import threading
from datetime import datetime
from functools import cache

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from sqlalchemy import delete, func, or_, select
from sqlalchemy.orm import Session as DbSession

from pipeline.records.audit import note_down
from pipeline.records.claims import let_free
from pipeline.records.house import House, Refused
from pipeline.records.tables import Invitation, Person, Session, SignInTry
from pipeline.records.words import Role

LEAST_PASSWORD, MOST_PASSWORD = 12, 200  # characters
MOST_NAME = 60
_TOKEN_BYTES = 32
_AT_ONCE = threading.BoundedSemaphore(2)  # each hash takes 64 MiB and a processor
_HASHER = PasswordHasher()  # argon2-cffi's defaults: Argon2id, RFC 9106's choice for little memory


def invite(
    session: DbSession, house: House, now: datetime, role: Role, by: Person | None, person: Person | None = None
) -> str:
    """Make a link's token that makes one account, or gives `person` a new password, once.

    Returns:
        The token; it is not kept.
    """
    token = secrets.token_urlsafe(_TOKEN_BYTES)
    session.add(
        Invitation(
            token_hash=_hash(token),
            role=role,
            made_by=None if by is None else by.id,
            person_id=None if person is None else person.id,
            ends_at=now + house.invitation,
            used_at=None,
        )
    )
    what = "made an invitation" if person is None else "made a link for a new password"
    detail = {"role": role} if person is None else {"of": person.name}
    note_down(session, now, "" if by is None else by.name, what, detail=detail)
    return token


def first_start_token(session: DbSession, house: House, now: datetime) -> str | None:
    """A token that makes the first admin; None where there are people already. Earlier ones stop working."""
    if session.scalar(select(func.count()).select_from(Person)):
        return None
    session.execute(delete(Invitation).where(Invitation.made_by.is_(None)))
    return invite(session, house, now, Role.ADMIN, None)


def invited(session: DbSession, now: datetime, token: str) -> tuple[Role, str] | None:
    """What the link makes of who follows it, and whose new password it is for ("" if for a new account).

    None if it is used up, too old or unknown.
    """
    found = _invitation(session, now, token)
    if found is None:
        return None
    return Role(found.role), "" if found.person_id is None else session.get_one(Person, found.person_id).name


def accept(session: DbSession, now: datetime, token: str, name: str, password: str) -> Person:
    """Make the account that a link stands for, or give its person the new password, which ends their sessions.

    Raises:
        Refused: if the link, the name or the password will not do.
    """
    invitation = _invitation(session, now, token)
    if invitation is None:
        raise Refused("This link has been used, or is too old. Ask for a new one.")
    if invitation.person_id is not None:
        return _renewed(session, now, invitation, password)
    name = name.strip()
    if not name or len(name) > MOST_NAME or not name.isprintable():
        raise Refused(f"Choose a name of 1 to {MOST_NAME} letters.")
    if session.scalar(select(Person.id).where(func.lower(Person.name) == name.lower())) is not None:
        raise Refused("Somebody has that name already.")
    invitation.used_at = now
    person = Person(name=name, role=invitation.role, password_hash=_hashed(password), is_active=True, made_at=now)
    session.add(person)
    session.flush()
    note_down(session, now, name, "joined", detail={"role": person.role})
    return person


def sign_in(session: DbSession, house: House, now: datetime, name: str, password: str, address: str) -> Person | None:
    """Check a name and a password.

    Returns:
        The person; None if name and password do not belong together. The failed try is noted either way.

    Raises:
        Refused: after too many failed tries of this name or from this address.
    """
    name = name.strip()[:MOST_NAME]
    _slow_down(session, house, now, name, address)
    person = session.scalar(select(Person).where(Person.name == name, Person.is_active.is_(True)))
    if _fits(person.password_hash if person else _nobodys_hash(), password) and person is not None:
        session.execute(delete(SignInTry).where(SignInTry.name == name))
        note_down(session, now, person.name, "signed in")
        return person
    session.add(SignInTry(name=name, address=address, at=now))
    note_down(session, now, name if person else "", "failed to sign in")
    return None


def start_session(session: DbSession, house: House, now: datetime, person: Person) -> tuple[str, Session]:
    """A new session with the token for the browser's cookie."""
    token = secrets.token_urlsafe(_TOKEN_BYTES)
    made = Session(
        token_hash=_hash(token),
        person_id=person.id,
        form_token=secrets.token_urlsafe(_TOKEN_BYTES),
        made_at=now,
        seen_at=now,
        ends_at=now + house.session,
    )
    session.execute(delete(Session).where(Session.ends_at < now))
    session.add(made)
    return token, made


def find_session(session: DbSession, house: House, now: datetime, token: str) -> tuple[Person, Session] | None:
    """Whose session a cookie names; None if it ended, lay idle too long, or the person may not enter any more."""
    found = session.execute(
        select(Person, Session)
        .join(Session, Session.person_id == Person.id)
        .where(
            Session.token_hash == _hash(token),
            Session.ends_at >= now,
            Session.seen_at >= now - house.idle,
            Person.is_active.is_(True),
        )
    ).first()
    return None if found is None else (found[0], found[1])


def end_session(session: DbSession, now: datetime, person: Person, token: str) -> None:
    """Sign out; what the person was looking at is free for others."""
    session.execute(delete(Session).where(Session.token_hash == _hash(token)))
    let_free(session, person)
    note_down(session, now, person.name, "signed out")


def change(session: DbSession, now: datetime, by: Person, person: Person, role: Role, is_active: bool) -> None:
    """Give a person another role, or let them in no more. Their sessions end.

    Raises:
        Refused: if nobody would be left to manage the house.
    """
    stays = is_active and role.may_manage
    others = session.scalar(
        select(func.count())
        .select_from(Person)
        .where(Person.role == Role.ADMIN, Person.is_active.is_(True), Person.id != person.id)
    )
    if not stays and not others:
        raise Refused("Somebody has to stay admin.")
    person.role, person.is_active = role, is_active
    session.execute(delete(Session).where(Session.person_id == person.id))
    let_free(session, person)
    note_down(session, now, by.name, "changed an account", detail={"of": person.name, "role": role, "in": is_active})


def _renewed(session: DbSession, now: datetime, invitation: Invitation, password: str) -> Person:
    person = session.get_one(Person, invitation.person_id)
    person.password_hash, invitation.used_at = _hashed(password), now
    session.execute(delete(Session).where(Session.person_id == person.id))
    session.execute(delete(SignInTry).where(SignInTry.name == person.name))
    note_down(session, now, person.name, "chose a new password")
    return person


def _slow_down(session: DbSession, house: House, now: datetime, name: str, address: str) -> None:
    since = now - house.tries_within
    tries = session.execute(
        select(SignInTry.name, SignInTry.address).where(
            SignInTry.at >= since, or_(SignInTry.name == name, SignInTry.address == address)
        )
    ).all()
    by_name = sum(one.name == name for one in tries)
    by_address = sum(one.address == address for one in tries)
    if by_name >= house.tries_per_name or by_address >= house.tries_per_address:
        minutes = round(house.tries_within.total_seconds() / 60)
        raise Refused(f"Too many tries. Wait {minutes} minutes, then try again.")


def _invitation(session: DbSession, now: datetime, token: str) -> Invitation | None:
    return session.scalar(
        select(Invitation)
        .where(Invitation.token_hash == _hash(token), Invitation.used_at.is_(None), Invitation.ends_at >= now)
        .with_for_update()
    )


def _hashed(password: str) -> str:
    if not LEAST_PASSWORD <= len(password) <= MOST_PASSWORD:
        raise Refused(f"Choose a password of {LEAST_PASSWORD} to {MOST_PASSWORD} characters; a sentence is good.")
    with _AT_ONCE:
        return _HASHER.hash(password)


def _fits(password_hash: str, password: str) -> bool:
    if len(password) > MOST_PASSWORD:
        return False
    try:
        with _AT_ONCE:
            return _HASHER.verify(password_hash, password)
    except (VerificationError, InvalidHashError):
        return False


@cache
def _nobodys_hash() -> str:
    """Checked where nobody has the name, so that the time taken tells nothing."""
    return _HASHER.hash(secrets.token_urlsafe(_TOKEN_BYTES))


def _hash(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()
