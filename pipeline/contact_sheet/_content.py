"""What the sheet says, apart from how it looks. All text of listings is untrusted and made printable here."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from PIL import Image

from pipeline.cues import CUES, VIEWS, topics_not_shown
from pipeline.domain import Assessment, Listing, Photo, Problem, Reason
from pipeline.intake import PhotosRoot, read_photo
from pipeline.part_picture import part_picture

TITLE = "Listings worth a look, most suspicious first"
KEY = "Bars: to the right speaks for a counterfeit, to the left for a genuine pair; the number is log10 of how much."
CROP_WH = (232, 174)
MAX_REASONS = 5
MIN_LOG10_LR = 0.03  # less than that says nothing worth a picture
BAR_LOG10_LR = 3.0  # the bar's full length to either side
_MAX_ID_CHARS, _MAX_TITLE_CHARS = 40, 70


@dataclass(frozen=True, slots=True, eq=False)
class Clue:
    """One reason as shown: cue and state, its sentence, how strong, and the crop it was seen on (None for text)."""

    heading: str
    sentence: str
    log10_lr: float
    crop: Image.Image | None

    @property
    def bar(self) -> float:
        """How far the bar runs, -1 (genuine) to 1 (counterfeit)."""
        return max(-1.0, min(1.0, self.log10_lr / BAR_LOG10_LR))

    @property
    def number(self) -> str:
        """The log10 ratio with its sign."""
        return signed(self.log10_lr)


@dataclass(frozen=True, slots=True, eq=False)
class Entry:
    """One listing as shown."""

    rank: int
    listing_id: str
    probability: float
    log10_lr: float
    title: str
    stated: str
    clues: tuple[Clue, ...]
    not_seen: str
    ask_for: str

    @property
    def likely(self) -> str:
        """The probability to two decimals, never as a certainty."""
        return ">0.99" if self.probability > 0.99 else "<0.01" if self.probability < 0.01 else f"{self.probability:.2f}"


def signed(log10_lr: float) -> str:
    """A log10 ratio with its sign, two decimals, a real minus."""
    return f"{log10_lr:+.2f}".replace("-", "\N{MINUS SIGN}")


def entries_of(
    assessments: Sequence[Assessment], listings: Mapping[str, Listing], photos_root: PhotosRoot
) -> Iterator[Entry]:
    """What is shown of each assessment, in their order."""
    for rank, one in enumerate(assessments, 1):
        yield _entry(rank, one, listings.get(one.listing_id), photos_root)


def printable(text: str, limit: int) -> str:
    """Untrusted text on one line, without control or direction marks, cut to `limit` characters."""
    line = " ".join("".join(letter if letter.isprintable() else " " for letter in text[: 4 * limit]).split())
    return line if len(line) <= limit else line[: limit - 1] + "…"


def _entry(rank: int, one: Assessment, listing: Listing | None, photos_root: PhotosRoot) -> Entry:
    return Entry(
        rank=rank,
        listing_id=printable(one.listing_id, _MAX_ID_CHARS),
        probability=one.probability,
        log10_lr=one.log10_lr,
        title=printable(listing.title, _MAX_TITLE_CHARS) if listing else "",
        stated=_stated(listing) if listing else "",
        clues=_clues(one.reasons, photos_root),
        not_seen=", ".join(topics_not_shown(one.not_seen)),
        ask_for=VIEWS.get(one.ask_for[0].view, one.ask_for[0].view) if one.ask_for else "",
    )


def _stated(listing: Listing) -> str:
    size = "".join(
        f"{letter}{inches} "
        for letter, inches in (("W", listing.waist_in), ("L", listing.leg_in))
        if inches is not None
    )
    price = "" if listing.price_eur is None else f"{listing.price_eur:g}\N{NO-BREAK SPACE}EUR"
    facts = (printable(listing.style_number or "", 20), size.strip(), listing.hardware_metal or "", price)
    return " · ".join(fact for fact in facts if fact) or "nothing stated"


def _clues(reasons: Sequence[Reason], photos_root: PhotosRoot) -> tuple[Clue, ...]:
    telling = [reason for reason in reasons if abs(reason.log10_lr) >= MIN_LOG10_LR]
    strongest = sorted(telling, key=lambda reason: -abs(reason.log10_lr))[:MAX_REASONS]
    photos: dict[str, Photo | Problem] = {}
    return tuple(
        Clue(_heading(reason), _sentence(reason), reason.log10_lr, _crop(reason, photos_root, photos))
        for reason in strongest
    )


def _heading(reason: Reason) -> str:
    return printable(f"{reason.cue}: {reason.state}".replace("_", " "), 60)


def _sentence(reason: Reason) -> str:
    known = CUES[reason.cue].words.get(reason.state, "") if reason.cue in CUES else ""
    return printable(reason.sentence or known, 160)


def _crop(reason: Reason, photos_root: PhotosRoot, photos: dict[str, Photo | Problem]) -> Image.Image | None:
    if reason.photo is None:
        return None
    if reason.photo not in photos:
        photos[reason.photo] = read_photo(photos_root, reason.photo)
    photo = photos[reason.photo]
    return None if isinstance(photo, Problem) else part_picture(photo, reason.box, CROP_WH, reason.heat)
