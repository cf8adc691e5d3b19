"""The words of the trade as types: listings, photos, found parts, readings, evidence, problems.

Everything here is a frozen value. Boxes are `x, y, w, h` in pixels of the photo as shown upright;
lengths on the garment are in millimetres; probabilities lie in 0..1; likelihood ratios are log10.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


CAUTION = "A score is a reason to look, not proof. The maker or a licensed expert and local law decide."


class PartName(StrEnum):
    """A part of the garment that the detector looks for."""

    POCKET = "pocket"
    TAB = "tab"
    LABEL = "label"
    BUTTON = "button"
    BUTTON_BACK = "button_back"
    RIVET = "rivet"
    ZIP = "zip"
    CARE_TAG = "care_tag"


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle in pixels of the upright photo: top-left corner, width, height.

    Raises:
        ValueError: if width or height is not positive.
    """

    x: float
    y: float
    w: float
    h: float

    def __post_init__(self) -> None:
        """Refuse an empty box, so that no later step divides by nothing."""
        if not (self.w > 0 and self.h > 0):
            raise ValueError(f"a box needs a positive width and height, got {self.w} x {self.h}")

    @property
    def xyxy(self) -> tuple[float, float, float, float]:
        """Left, top, right, bottom."""
        return self.x, self.y, self.x + self.w, self.y + self.h

    @property
    def area(self) -> float:
        """Square pixels."""
        return self.w * self.h

    def iou(self, other: Box) -> float:
        """Intersection over union with another box, 0..1."""
        left, top = max(self.x, other.x), max(self.y, other.y)
        right = min(self.x + self.w, other.x + other.w)
        bottom = min(self.y + self.h, other.y + other.h)
        inter = max(0.0, right - left) * max(0.0, bottom - top)
        return inter / (self.area + other.area - inter)


@dataclass(frozen=True, slots=True)
class Listing:
    """One row of the marketplace's export. Title and description are untrusted text."""

    listing_id: str
    seller_id: str
    listed_at: str
    maker: str
    title: str = ""
    description: str = ""
    style_number: str | None = None
    waist_in: int | None = None
    leg_in: int | None = None
    hardware_metal: str | None = None
    price_eur: float | None = None
    photos: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Photo:
    """An upright photo. `pixels` is uint8 RGB, shape (height, width, 3)."""

    path: str
    pixels: NDArray[np.uint8]

    @property
    def size_wh(self) -> tuple[int, int]:
        """Width and height in pixels."""
        height, width = self.pixels.shape[:2]
        return width, height


@dataclass(frozen=True, slots=True)
class PhotoFile:
    """A photo of a listing: the SHA-256 of its file and its size in pixels, upright; or why it can't be read."""

    path: str
    sha256: str | None = None
    width: int | None = None
    height: int | None = None
    problem: str | None = None


@dataclass(frozen=True, slots=True)
class FoundPart:
    """What the detector says: this part is here, this sure (score 0..1).

    What is not `is_sure` may be there: it scored low, or nothing on it could be judged. It is written down with its
    score and says nothing of the pair.
    """

    photo: str
    part: PartName
    box: Box
    score: float
    is_sure: bool = True


@dataclass(frozen=True, slots=True)
class Measurement:
    """A number with its unit and one standard uncertainty, both in `unit`."""

    value: float
    sigma: float
    unit: str


@dataclass(frozen=True, slots=True)
class HeatMap:
    """Where a part is unlike the genuine ones: a coarse grid over a square of the photo.

    `rows` from top to bottom, whole numbers 0..100; `HOT` and more is as unlike as the hottest spot of one genuine part
    in a hundred.
    """

    box: Box
    rows: tuple[tuple[int, ...], ...]


HOT = 50  # level of a heat map's outline


@dataclass(frozen=True, slots=True)
class CueReading:
    """What one part in one photo (or the listing's text) says about one cue.

    `likelihood` maps each state of the cue to how well it explains what was seen, relative to the
    others: non-negative, summing to 1, with no prior mixed in. All equal means "says nothing".

    Raises:
        ValueError: if the likelihoods are negative or do not sum to 1 within 0.001.
    """

    cue: str
    likelihood: Mapping[str, float]
    photo: str | None = None
    part: PartName | None = None
    box: Box | None = None
    measured: Measurement | None = None
    text: str | None = None
    heat: HeatMap | None = None

    def __post_init__(self) -> None:
        """Refuse what is not a distribution."""
        total = sum(self.likelihood.values())
        if min(self.likelihood.values()) < 0 or abs(total - 1) > 1e-3:
            raise ValueError(f"{self.cue}: likelihoods must be >= 0 and sum to 1, got {dict(self.likelihood)}")


@dataclass(frozen=True, slots=True)
class TextReading:
    """Print read off a part: `field` is code, style, waist or leg; `confidence` 0..1."""

    field: str
    text: str
    confidence: float
    photo: str
    part: PartName
    box: Box


@dataclass(frozen=True, slots=True)
class PartReading:
    """A found part with everything read from it."""

    found: FoundPart
    cues: tuple[CueReading, ...] = ()
    texts: tuple[TextReading, ...] = ()


@dataclass(frozen=True, slots=True)
class Reason:
    """One cue's say in the assessment. `probability` is that of `state`, at the natural prior."""

    cue: str
    state: str
    probability: float
    log10_lr: float
    sentence: str
    photo: str | None = None
    box: Box | None = None
    measured: Measurement | None = None
    note: str | None = None
    heat: HeatMap | None = None


@dataclass(frozen=True, slots=True)
class PhotoRequest:
    """A photo worth asking the seller for. `expected_change` is in bits about counterfeit or not."""

    view: str
    cues: tuple[str, ...]
    expected_change: float
    sentence: str


class Shows(StrEnum):
    """How much of a picture one photo shows, beside another of it. A photo can be cut down but not added to."""

    LESS = "less"
    AS_MUCH = "as much"
    MORE = "more"


_CROP_MARGIN = 0.02  # of a photo's area; below it neither photo clearly shows less than the other


@dataclass(frozen=True, slots=True)
class ReuseMatch:
    """`photo` of one listing is the same picture as `other_photo` of another seller's listing.

    `agreement` is the correlation of their grey values, 0..1. `crop_margin` is the shared region's
    share of this photo less its share of the other, -1..1: above 0, this one shows less.
    """

    photo: str
    other_listing_id: str
    other_seller_id: str
    other_photo: str
    is_mirrored: bool
    agreement: float
    crop_margin: float

    @property
    def shows(self) -> Shows:
        """How much of the picture this photo shows, beside the other."""
        if abs(self.crop_margin) <= _CROP_MARGIN:
            return Shows.AS_MUCH
        return Shows.LESS if self.crop_margin > 0 else Shows.MORE


@dataclass(frozen=True, slots=True)
class Assessment:
    """What the evidence says of one listing; a reason to look, never a verdict.

    `reuse` names the photos that stand under another seller, too, whether or not that speaks against this one.
    """

    listing_id: str
    log10_lr: float
    probability: float
    reasons: tuple[Reason, ...] = ()
    not_seen: tuple[str, ...] = ()
    ask_for: tuple[PhotoRequest, ...] = ()
    reuse: tuple[ReuseMatch, ...] = ()


@dataclass(frozen=True, slots=True)
class Problem:
    """Something that could not be read: a failure kept as a value, in a moderator's words."""

    reason: str
    listing_id: str | None = None
    photo: str | None = None
    row: int | None = None
    refused: bool = False  # True: the listing itself has no row in the queue


@dataclass(frozen=True, slots=True)
class ListingReadings:
    """All that was seen of one listing, ready for the evidence."""

    listing: Listing
    parts: tuple[PartReading, ...] = ()
    cues: tuple[CueReading, ...] = ()  # readings that belong to no part: photo_reuse
    problems: tuple[Problem, ...] = field(default=())
    reuse: tuple[ReuseMatch, ...] = ()
