"""A dossier as the listing page shows it: numbered signs, outlined photos, what disagrees in the seller's words."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass

from pipeline.cues import CUES, VIEWS
from pipeline.domain import PartName
from pipeline.evidence.sentences import request_sentence
from pipeline.records.dossier import Dossier
from pipeline.records.queue import TELLING_LOG10_LR
from pipeline.records.tables import Correction, Listing, Part, Reason
from pipeline.review.strength import Strength, strength

_KEYS = "123456789"
_Said = tuple[str, Correction]
_CUT_WORDS = re.compile(r" (Speaks (very strongly|strongly|somewhat|slightly) for [^.]*\.|Says little either way\.)$")


@dataclass(frozen=True, slots=True)
class Sign:
    """A reason as shown. `key` is the digit that names it, "" beyond nine; `others` what else it could truly be.

    `corrected` is what the person who looks has said of it, `said_by_others` what colleagues have.
    """

    key: str
    reason: Reason
    sentence: str
    strength: Strength
    part: str
    reference: str  # name of the genuine part's picture, or ""
    others: Sequence[tuple[str, str]]
    corrected: str
    said_by_others: Sequence[str]

    @property
    def name(self) -> str:
        """The cue in words."""
        return CUES[self.reason.cue].topic if self.reason.cue in CUES else self.reason.cue


@dataclass(frozen=True, slots=True)
class Outline:
    """A found part on a photo. `key` is the digit that names its box, "" beyond nine.

    `is_wrong` is what the person who looks has said of it; `wrong_to` names the colleagues who have.
    """

    key: str
    part_id: int
    name: str
    box: Sequence[float]
    score: float
    is_sure: bool
    is_wrong: bool
    wrong_to: Sequence[str]
    texts: str


@dataclass(frozen=True, slots=True)
class Shot:
    """A photo with what was found on it."""

    number: int
    sha256: str | None
    problem: str
    width: int
    height: int
    outlines: Sequence[Outline]


@dataclass(frozen=True, slots=True)
class Wish:
    """A photo worth asking for; `is_best` if the scan says so."""

    view: str
    words: str
    is_best: bool


@dataclass(frozen=True, slots=True)
class Eyes:
    """Who looks; `is_blind` if they are not to see what colleagues have said."""

    person_id: int
    is_blind: bool

    def sorted_out(self, corrections: Iterable[_Said]) -> tuple[list[Correction], list[_Said]]:
        """Their own corrections, and those of colleagues that they may see."""
        own, others = [], []
        for by, one in corrections:
            if one.person_id == self.person_id:
                own.append(one)
            elif not self.is_blind:
                others.append((by, one))
        return own, others


def signs_of(dossier: Dossier, references: Collection[str], eyes: Eyes) -> tuple[list[Sign], list[Sign]]:
    """Those that tell something, numbered, and those that say little."""
    telling: list[Sign] = []
    little: list[Sign] = []
    for reason in dossier.reasons:
        tells = abs(reason.log10_lr) >= TELLING_LOG10_LR
        key = _KEYS[len(telling)] if tells and len(telling) < len(_KEYS) else ""
        (telling if tells else little).append(_sign(key, reason, dossier, references, eyes))
    return telling, little


def shots_of(dossier: Dossier, eyes: Eyes) -> list[Shot]:
    """The photos in the seller's order; the boxes on each are numbered from 1."""
    own, others = eyes.sorted_out(dossier.corrections)
    wrong = {one.part_id for one in own}
    numbered: dict[str, list[Outline]] = {}
    for found in dossier.parts:
        on_photo = numbered.setdefault(found.photo, [])
        key = _KEYS[len(on_photo)] if len(on_photo) < len(_KEYS) else ""
        wrong_to = [by for by, one in others if one.part_id == found.id]
        on_photo.append(_outline(key, found, found.id in wrong, wrong_to))
    return [
        Shot(
            number=photo.position + 1,
            sha256=photo.sha256,
            problem=photo.problem or "",
            width=dossier.sizes[photo.sha256].width if photo.sha256 else 4,
            height=dossier.sizes[photo.sha256].height if photo.sha256 else 3,
            outlines=numbered.get(photo.sha256 or "", []),
        )
        for photo in dossier.photos
    ]


def first_shot(shots: Sequence[Shot], telling: Sequence[Sign]) -> int:
    """Place of the photo to show first: the one that the strongest sign was seen on."""
    strongest = next((sign.reason.photo for sign in telling if sign.reason.photo), None)
    return next((place for place, shot in enumerate(shots) if shot.sha256 and shot.sha256 == strongest), 0)


def wishes_of(dossier: Dossier) -> list[Wish]:
    """All photos that could be asked for: the scan's own first, then those of cues not seen, then the rest."""
    asked = [request["view"] for request in (dossier.assessment.ask_for if dossier.assessment else [])]
    unseen = [CUES[cue].view for cue in dossier.unseen if cue in CUES and CUES[cue].view]
    order = dict.fromkeys([*asked, *unseen, *VIEWS])
    best = set(asked[:2] or unseen[:1])
    return [Wish(view, VIEWS[view], view in best) for view in order if view in VIEWS]


def unseen_parts(unseen: Collection[str]) -> tuple[list[str], dict[str, list[str]]]:
    """What no photo shows: parts of which nothing can be judged; of the others, by part, the signs that can't be."""
    wholly: list[str] = []
    partly: dict[str, list[str]] = {}
    for view in VIEWS:
        topics = {name: cue.topic for name, cue in CUES.items() if cue.view == view}
        missing = [topic for name, topic in topics.items() if name in unseen]
        part = view.replace("_", " ")
        if topics and len(missing) == len(topics):
            wholly.append(part)
        elif missing:
            partly[part] = missing
    return wholly, partly


def message_for(views: Sequence[str]) -> str:
    """The polite message that asks for these photos."""
    return request_sentence([view for view in views if view in VIEWS] or ["label"])


def message_frame() -> tuple[str, str]:
    """What stands before and after the wanted views in the message."""
    view = next(iter(VIEWS))
    before, after = request_sentence([view]).split(VIEWS[view])
    return before, after


def marked(text: str, doubtful: Sequence[str]) -> Iterator[tuple[str, bool]]:
    """The text in pieces, each with whether it is one of the doubtful words; nothing is escaped here."""
    words = sorted({word for word in doubtful if word}, key=len, reverse=True)
    if not words:
        yield text, False
        return
    pattern = "|".join(rf"(?<!\w){re.escape(word)}(?!\w)" for word in words)
    for piece in re.split(f"({pattern})", text, flags=re.IGNORECASE):
        if piece:
            yield piece, re.fullmatch(pattern, piece, flags=re.IGNORECASE) is not None


def doubtful_words(dossier: Dossier) -> dict[str, list[str]]:
    """What the seller states that the photos or the style speak against, by field."""
    departs = {reason.cue for reason in dossier.reasons if reason.log10_lr >= TELLING_LOG10_LR}
    listing = dossier.listing
    found: dict[str, list[str]] = {}
    if "style_agrees" in departs and listing.style_number:
        found["style"] = [listing.style_number]
    if "size_agrees" in departs:
        found["size"] = _sizes(listing)
    if "metal_agrees" in departs and listing.hardware_metal:
        found["metal"] = [listing.hardware_metal]
    if "price_band" in departs:
        found["price"] = []
    return found


def _sizes(listing: Listing) -> list[str]:
    waist, leg = listing.waist_in, listing.leg_in
    words = []
    if waist is not None:
        words += [f"W{waist}", f"W {waist}", str(waist)]
    if leg is not None:
        words += [f"L{leg}", f"L {leg}"]
    if waist is not None and leg is not None:
        words += [f"{waist}/{leg}", f"{waist} / {leg}", f"W{waist}/L{leg}", f"W{waist} L{leg}"]
    return words


def _sign(key: str, reason: Reason, dossier: Dossier, references: Collection[str], eyes: Eyes) -> Sign:
    own, of_colleagues = eyes.sorted_out(dossier.corrections)
    part = _part_of(reason, dossier)
    known = CUES.get(reason.cue)
    others = [] if known is None else [(state, words) for state, words in known.words.items() if state != reason.state]
    return Sign(
        key=key,
        reason=reason,
        sentence=_CUT_WORDS.sub("", reason.sentence),  # the strength stands beside it in the scale's own words
        strength=strength(reason.log10_lr),
        part=part,
        reference=_reference(part, dossier.listing.hardware_metal, references) if reason.photo else "",
        others=others,
        corrected=next((_as_said(one) for one in own if _is_of(one, reason)), ""),
        said_by_others=[f"{by} says: {_as_said(one)}" for by, one in of_colleagues if _is_of(one, reason)],
    )


def _reference(part: str, metal: str | None, references: Collection[str]) -> str:
    """The picture of a genuine part to set beside, of the stated metal if there is one."""
    names = [name for name in references if name.split("-")[0] == part]
    return next((name for name in names if name == f"{part}-{metal}"), names[0] if names else "")


def _is_of(one: Correction, reason: Reason) -> bool:
    return one.cue == reason.cue and one.read_as == reason.state


def _as_said(one: Correction) -> str:
    known = CUES.get(one.cue or "")
    return "read wrongly" if one.truly is None or known is None else f"truly: {known.words.get(one.truly, one.truly)}"


def _part_of(reason: Reason, dossier: Dossier) -> str:
    """The part that a reason was seen on: the one in its box, else the first that its cue is judged on."""
    for found in dossier.parts:
        if found.photo == reason.photo and reason.box is not None and _is_same(found.box, reason.box):
            return found.part
    known = CUES.get(reason.cue)
    return known.parts[0].value if known and known.parts and reason.photo else ""


def _is_same(one: Sequence[float], other: Sequence[float]) -> bool:
    return all(abs(a - b) < 1 for a, b in zip(one, other, strict=True))


def _outline(key: str, found: Part, is_wrong: bool, wrong_to: Sequence[str]) -> Outline:
    return Outline(
        key=key,
        part_id=found.id,
        name=PartName(found.part).value.replace("_", " "),
        box=found.box,
        score=found.score,
        is_sure=found.is_sure,
        is_wrong=is_wrong,
        wrong_to=wrong_to,
        texts=" ".join(text["text"] for text in found.texts),
    )
