"""The tables: what a scan found, what people did about it.

One schema for SQLite and PostgreSQL; `migrations/` makes it. Moments are UTC. Boxes are `[x, y, w, h]` in pixels of the
upright photo. What a seller wrote is stored as it came and is untrusted.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    JSON,
    BigInteger,
    DateTime,
    Dialect,
    ForeignKey,
    Index,
    LargeBinary,
    String,
    Text,
    TypeDecorator,
    UniqueConstraint,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column


class Moment(TypeDecorator[datetime]):
    """A point in time, UTC. SQLite keeps no zone, so it is taken off and put back on."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """To the database; a moment without a zone is a fault of ours."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("a moment needs a zone")
        moment = value.astimezone(UTC)
        return moment.replace(tzinfo=None) if dialect.name == "sqlite" else moment

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """From the database."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class Base(DeclarativeBase):
    """All tables."""

    type_annotation_map = {datetime: Moment(), dict[str, Any]: JSON(), list[Any]: JSON(), str: Text()}  # noqa: RUF012


class Look(Base):
    """What was seen in a photo, by the SHA-256 of its file and by what judged it (`judge`: networks, sheet, program).

    `seen` is null where there was nothing to judge; `problem` says why. Looks are never changed: new networks add new
    ones.
    """

    __tablename__ = "looks"
    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    judge: Mapped[str] = mapped_column(String(24), primary_key=True)
    seen: Mapped[bytes | None] = mapped_column(LargeBinary)
    problem: Mapped[str | None]
    tries: Mapped[int]
    at: Mapped[datetime] = mapped_column(index=True)


class Fingerprint(Base):
    """What a photo is known again by under another seller. `id` is the beginning of the SHA-256."""

    __tablename__ = "fingerprints"
    id: Mapped[int] = mapped_column(BigInteger, primary_key=True, autoincrement=False)
    sha256: Mapped[str] = mapped_column(String(64), unique=True)
    data: Mapped[bytes] = mapped_column(LargeBinary)


class Showing(Base):
    """A photo in a listing, and when a scan last met it there."""

    __tablename__ = "showings"
    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    listing_id: Mapped[str] = mapped_column(String(200), primary_key=True)
    seller_id: Mapped[str] = mapped_column(String(200))
    listed_at: Mapped[str]
    path: Mapped[str]  # as the listing named it
    at: Mapped[datetime] = mapped_column(index=True)


class Run(Base):
    """A scan that was taken in. `model` and `rules` name what it judged by; photo paths are relative to the root.

    `is_whole` is false while listings are still to come in.
    """

    __tablename__ = "runs"
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str]
    fingerprint: Mapped[str] = mapped_column(String(64), unique=True)  # of the queue file: taken in once
    photos_root: Mapped[str]
    model: Mapped[str]
    rules: Mapped[str]
    taken_in_at: Mapped[datetime]
    is_whole: Mapped[bool] = mapped_column(default=True)


class Listing(Base):
    """What the seller says, where the listing stands, and what the latest scan makes of it."""

    __tablename__ = "listings"
    id: Mapped[int] = mapped_column(primary_key=True)
    listing_id: Mapped[str] = mapped_column(String(200), unique=True)
    seller_id: Mapped[str] = mapped_column(String(200), index=True)
    listed_at: Mapped[str]
    maker: Mapped[str]
    title: Mapped[str]
    description: Mapped[str]
    style_number: Mapped[str | None]
    waist_in: Mapped[int | None]
    leg_in: Mapped[int | None]
    hardware_metal: Mapped[str | None]
    price_eur: Mapped[float | None]
    search: Mapped[str]  # all that can be searched, in small letters
    state: Mapped[str] = mapped_column(String(16))
    is_open: Mapped[bool]
    round: Mapped[int]  # 1 at first; one more each time the listing is opened again
    assessment_id: Mapped[int | None]  # the latest; no foreign key, as the two tables would each need the other first
    probability: Mapped[float]
    log10_lr: Mapped[float]
    expected_loss: Mapped[float]  # probability times price, EUR
    claimed_by: Mapped[int | None] = mapped_column(ForeignKey("people.id"))
    claimed_until: Mapped[datetime | None]
    __table_args__ = (
        Index("ix_listings_by_suspicion", "is_open", "probability", "id"),
        Index("ix_listings_by_loss", "is_open", "expected_loss", "id"),
        Index("ix_listings_by_state", "state", "probability", "id"),
        Index("ix_listings_by_style", "style_number"),
        Index("ix_listings_claimed_by", "claimed_by"),
    )


class Assessment(Base):
    """What one scan says of one listing; a reason to look, never a verdict."""

    __tablename__ = "assessments"
    id: Mapped[int] = mapped_column(primary_key=True)
    listing_id: Mapped[int] = mapped_column(ForeignKey("listings.id"))
    run_id: Mapped[int] = mapped_column(ForeignKey("runs.id"))
    probability: Mapped[float]
    log10_lr: Mapped[float]
    ask_for: Mapped[list[Any]]
    __table_args__ = (UniqueConstraint("listing_id", "run_id"),)


class Photo(Base):
    """A photo by the SHA-256 of its file."""

    __tablename__ = "photos"
    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    width: Mapped[int]
    height: Mapped[int]


class ListingPhoto(Base):
    """A photo of a listing. `sha256` is null where the file could not be read; `problem` says why."""

    __tablename__ = "listing_photos"
    listing_id: Mapped[int] = mapped_column(ForeignKey("listings.id"), primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True)
    run_id: Mapped[int] = mapped_column(ForeignKey("runs.id"))
    path: Mapped[str]
    sha256: Mapped[str | None] = mapped_column(ForeignKey("photos.sha256"), index=True)
    problem: Mapped[str | None]


class Part(Base):
    """A found part."""

    __tablename__ = "parts"
    id: Mapped[int] = mapped_column(primary_key=True)
    assessment_id: Mapped[int] = mapped_column(ForeignKey("assessments.id"), index=True)
    photo: Mapped[str] = mapped_column(ForeignKey("photos.sha256"))
    part: Mapped[str] = mapped_column(String(24))
    box: Mapped[list[Any]]
    score: Mapped[float]
    is_sure: Mapped[bool]
    texts: Mapped[list[Any]]


class PartCue(Base):
    """How well each state of a cue explains what one part shows."""

    __tablename__ = "part_cues"
    part_id: Mapped[int] = mapped_column(ForeignKey("parts.id"), primary_key=True)
    cue: Mapped[str] = mapped_column(String(40), primary_key=True)
    likelihood: Mapped[dict[str, Any]]
    measured: Mapped[dict[str, Any] | None]
    heat: Mapped[dict[str, Any] | None]


class Reason(Base):
    """One cue's say in an assessment; `position` 0 is the first to read."""

    __tablename__ = "reasons"
    assessment_id: Mapped[int] = mapped_column(ForeignKey("assessments.id"), primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True)
    cue: Mapped[str] = mapped_column(String(40))
    state: Mapped[str] = mapped_column(String(40))
    probability: Mapped[float]
    log10_lr: Mapped[float]
    sentence: Mapped[str]
    photo: Mapped[str | None] = mapped_column(ForeignKey("photos.sha256"))
    box: Mapped[list[Any] | None]
    measured: Mapped[dict[str, Any] | None]
    note: Mapped[str | None]
    heat: Mapped[dict[str, Any] | None]
    __table_args__ = (Index("ix_reasons_by_cue", "cue", "assessment_id"),)


class Unseen(Base):
    """A cue that no photo of the listing shows."""

    __tablename__ = "unseen"
    assessment_id: Mapped[int] = mapped_column(ForeignKey("assessments.id"), primary_key=True)
    cue: Mapped[str] = mapped_column(String(40), primary_key=True)


class ReusedPhoto(Base):
    """A photo of the listing that the scan knew again, cropped, mirrored or as it is, under another seller.

    `shows` is how much of the picture this one shows, beside the other, whose listing goes by the marketplace's id and
    may be of a night that never came into this database: then `other_photo` is null.
    """

    __tablename__ = "reused_photos"
    assessment_id: Mapped[int] = mapped_column(ForeignKey("assessments.id"), primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True)
    photo: Mapped[str] = mapped_column(ForeignKey("photos.sha256"))
    other_listing: Mapped[str] = mapped_column(String(200))
    other_seller: Mapped[str] = mapped_column(String(200), default="")
    other_photo: Mapped[str | None] = mapped_column(ForeignKey("photos.sha256"))
    is_mirrored: Mapped[bool]
    shows: Mapped[str] = mapped_column(String(8))


class Person(Base):
    """Somebody who signs in."""

    __tablename__ = "people"
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(60), unique=True)
    role: Mapped[str] = mapped_column(String(16))
    password_hash: Mapped[str]
    is_active: Mapped[bool]
    made_at: Mapped[datetime]


class Session(Base):
    """A signed-in browser. Only the token's SHA-256 is kept."""

    __tablename__ = "sessions"
    token_hash: Mapped[str] = mapped_column(String(64), primary_key=True)
    person_id: Mapped[int] = mapped_column(ForeignKey("people.id"), index=True)
    form_token: Mapped[str]
    made_at: Mapped[datetime]
    seen_at: Mapped[datetime]
    ends_at: Mapped[datetime]


class Invitation(Base):
    """A link that makes one account, or gives `person_id` a new password, once. Only its SHA-256 is kept."""

    __tablename__ = "invitations"
    token_hash: Mapped[str] = mapped_column(String(64), primary_key=True)
    role: Mapped[str] = mapped_column(String(16))
    made_by: Mapped[int | None] = mapped_column(ForeignKey("people.id"))
    person_id: Mapped[int | None] = mapped_column(ForeignKey("people.id"))
    ends_at: Mapped[datetime]
    used_at: Mapped[datetime | None]


class ChangedSetting(Base):
    """A setting of the house that was changed on the page; `value` is in the unit that it is shown in."""

    __tablename__ = "changed_settings"
    name: Mapped[str] = mapped_column(String(40), primary_key=True)
    value: Mapped[float]
    changed_by: Mapped[int] = mapped_column(ForeignKey("people.id"))
    changed_at: Mapped[datetime]


class SignInTry(Base):
    """A sign-in that failed; they are counted to slow down guessing."""

    __tablename__ = "sign_in_tries"
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(60))
    address: Mapped[str] = mapped_column(String(64))
    at: Mapped[datetime]
    __table_args__ = (Index("ix_tries_by_name", "name", "at"), Index("ix_tries_by_address", "address", "at"))


class Decision(Base):
    """What a person said about a listing. `look` 1 is the first pair of eyes, 2 the second, 3 settles two opinions.

    An undone decision stays, with the moment at which it was taken back.
    """

    __tablename__ = "decisions"
    id: Mapped[int] = mapped_column(primary_key=True)
    listing_id: Mapped[int] = mapped_column(ForeignKey("listings.id"), index=True)
    assessment_id: Mapped[int | None] = mapped_column(ForeignKey("assessments.id"))
    person_id: Mapped[int] = mapped_column(ForeignKey("people.id"))
    at: Mapped[datetime]
    choice: Mapped[str] = mapped_column(String(16))
    look: Mapped[int]
    round: Mapped[int]  # the listing's at that time
    cues: Mapped[list[Any]]  # the cues that the reason rests on
    words: Mapped[str]
    state_before: Mapped[str] = mapped_column(String(16))
    undone_at: Mapped[datetime | None]
    __table_args__ = (Index("ix_decisions_by_person", "person_id", "at"), Index("ix_decisions_by_moment", "at"))


class Correction(Base):
    """What a moderator says was read wrongly; the analyst's labels.

    Of a cue (`cue`, what was read, what it really is or null for "not that") or of a box (`part_id`, the true box, or
    null for "nothing there").
    """

    __tablename__ = "corrections"
    id: Mapped[int] = mapped_column(primary_key=True)
    listing_id: Mapped[int] = mapped_column(ForeignKey("listings.id"), index=True)
    assessment_id: Mapped[int] = mapped_column(ForeignKey("assessments.id"))
    person_id: Mapped[int] = mapped_column(ForeignKey("people.id"))
    at: Mapped[datetime]
    cue: Mapped[str | None] = mapped_column(String(40))
    read_as: Mapped[str | None] = mapped_column(String(40))
    truly: Mapped[str | None] = mapped_column(String(40))
    part_id: Mapped[int | None] = mapped_column(ForeignKey("parts.id"))
    true_box: Mapped[list[Any] | None]
    undone_at: Mapped[datetime | None]


class Note(Base):
    """What colleagues want each other to know of a listing."""

    __tablename__ = "notes"
    id: Mapped[int] = mapped_column(primary_key=True)
    listing_id: Mapped[int] = mapped_column(ForeignKey("listings.id"), index=True)
    person_id: Mapped[int] = mapped_column(ForeignKey("people.id"))
    at: Mapped[datetime]
    words: Mapped[str]


class Asking(Base):
    """A message to the seller, for the marketplace to send."""

    __tablename__ = "askings"
    id: Mapped[int] = mapped_column(primary_key=True)
    listing_id: Mapped[int] = mapped_column(ForeignKey("listings.id"), index=True)
    decision_id: Mapped[int] = mapped_column(ForeignKey("decisions.id"))
    views: Mapped[list[Any]]
    message: Mapped[str]


class RandomNight(Base):
    """How the random looks of a run were drawn: none from its `top`, which is looked at anyway, the rest all alike.

    The top's last listing has the chance `cut_probability` and the number `cut_listing_id`. Only listings that were new
    in the run count.
    """

    __tablename__ = "random_nights"
    run_id: Mapped[int] = mapped_column(ForeignKey("runs.id"), primary_key=True)
    top: Mapped[int]
    rest: Mapped[int]
    cut_probability: Mapped[float]
    cut_listing_id: Mapped[int]


class RandomLook(Base):
    """A listing drawn by chance from the rest of its first run, to be looked at whatever its chance."""

    __tablename__ = "random_looks"
    listing_id: Mapped[int] = mapped_column(ForeignKey("listings.id"), primary_key=True)
    run_id: Mapped[int] = mapped_column(ForeignKey("runs.id"), index=True)


class WorthALabel(Base):
    """A crop from which training would learn much; `told` is how likely the heads hold each state of the cue."""

    __tablename__ = "worth_a_label"
    position: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    listing_id: Mapped[int] = mapped_column(ForeignKey("listings.id"))
    photo: Mapped[str] = mapped_column(ForeignKey("photos.sha256"))
    part: Mapped[str] = mapped_column(String(24))
    box: Mapped[list[Any]]
    cue: Mapped[str] = mapped_column(String(40))
    told: Mapped[dict[str, Any]]


class AuditLine(Base):
    """Who did what, when, by which model and rules. Rows are only ever added: the database refuses the rest."""

    __tablename__ = "audit"
    id: Mapped[int] = mapped_column(primary_key=True)
    at: Mapped[datetime]
    person: Mapped[str]
    what: Mapped[str] = mapped_column(String(40))
    listing: Mapped[str | None] = mapped_column(String(200), index=True)
    detail: Mapped[dict[str, Any]]
    model: Mapped[str]
    rules: Mapped[str]
