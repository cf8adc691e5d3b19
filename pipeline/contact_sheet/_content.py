"""What the sheet says, apart from how it looks. All text of listings is untrusted and made printable here."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from PIL import Image, ImageDraw

from pipeline.contact_sheet._heat import with_heat
from pipeline.cues import CUES, VIEWS, topics_not_shown
from pipeline.domain import Assessment, Box, HeatMap, Listing, Photo, Problem, Reason
from pipeline.intake import read_photo

TITLE = "Listings worth a look, most suspicious first"
KEY = "Bars: to the right speaks for a counterfeit, to the left for a genuine pair; the number is log10 of how much."
CROP_WH = (232, 174)
MAX_REASONS = 5
MIN_LOG10_LR = 0.03  # less than that says nothing worth a picture
BAR_LOG10_LR = 3.0  # the bar's full length to either side
_CONTEXT = 0.6  # of the box's size shown on each side of it
_MIN_CONTEXT_PX = 24
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
    assessments: Sequence[Assessment], listings: Mapping[str, Listing], photos_root: Path
) -> Iterator[Entry]:
    """What is shown of each assessment, in their order."""
    for rank, one in enumerate(assessments, 1):
        yield _entry(rank, one, listings.get(one.listing_id), photos_root)


def printable(text: str, limit: int) -> str:
    """Untrusted text on one line, without control or direction marks, cut to `limit` characters."""
    line = " ".join("".join(letter if letter.isprintable() else " " for letter in text[: 4 * limit]).split())
    return line if len(line) <= limit else line[: limit - 1] + "…"


def _entry(rank: int, one: Assessment, listing: Listing | None, photos_root: Path) -> Entry:
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


def _clues(reasons: Sequence[Reason], photos_root: Path) -> tuple[Clue, ...]:
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


def _crop(reason: Reason, photos_root: Path, photos: dict[str, Photo | Problem]) -> Image.Image | None:
    if reason.photo is None:
        return None
    if reason.photo not in photos:
        photos[reason.photo] = read_photo(photos_root, reason.photo)
    photo = photos[reason.photo]
    return None if isinstance(photo, Problem) else crop_with_context(photo, reason.box, reason.heat)


def crop_with_context(photo: Photo, box: Box | None, heat: HeatMap | None = None) -> Image.Image:
    """The box with something round it, outlined, at the size of a tile; the whole photo without a box.

    Args:
        photo: upright.
        box: px in the photo, or None.
        heat: drawn over the crop where there is one.

    Returns:
        An RGB picture of `CROP_WH` px; what lies outside the photo is filled with grey.
    """
    window = _window(box or Box(0, 0, *photo.size_wh), 0.0 if box is None else _CONTEXT, photo.size_wh)
    scale = CROP_WH[0] / window.w
    left, top, right, bottom = (round(side) for side in window.xyxy)
    backed = Image.new("RGB", (right - left, bottom - top), "#8A8F94")
    backed.paste(Image.fromarray(photo.pixels), (-left, -top))
    tile = backed.resize(CROP_WH, Image.Resampling.LANCZOS, reducing_gap=2.0)
    if heat is not None:
        tile = with_heat(tile, heat, Box(left, top, right - left, bottom - top))
    if box is not None:
        _outline(tile, [(side - origin) * scale for side, origin in zip(box.xyxy, (left, top) * 2, strict=True)])
    return tile


def _outline(tile: Image.Image, sides: Sequence[float]) -> None:
    """Light on dark, so that it shows on any cloth."""
    left, top, right, bottom = (round(side) for side in sides)
    draw = ImageDraw.Draw(tile)
    draw.rectangle((left - 3, top - 3, right + 3, bottom + 3), outline="#10151A", width=4)
    draw.rectangle((left - 2, top - 2, right + 2, bottom + 2), outline="#FFE9A8", width=2)


def _window(box: Box, context: float, photo_wh: tuple[int, int]) -> Box:
    """The part of the photo to show: the box with context, in the tile's shape, moved inside the photo if it fits."""
    pad = max(_MIN_CONTEXT_PX, context * max(box.w, box.h)) if context else 0.0
    shape = CROP_WH[0] / CROP_WH[1]
    width = max(box.w + 2 * pad, (box.h + 2 * pad) * shape)
    height = width / shape
    x = _kept_inside(box.x + box.w / 2 - width / 2, width, photo_wh[0])
    y = _kept_inside(box.y + box.h / 2 - height / 2, height, photo_wh[1])
    return Box(x, y, width, height)


def _kept_inside(start: float, length: float, room: float) -> float:
    return (room - length) / 2 if length > room else min(max(start, 0.0), room - length)
