"""Cues read from words: the print on the parts against the listing's fields, and the fields themselves.

Print that could not be read gives no reading: not seen, never a mismatch. A slip of the seller's pen is
not settled here either: how often genuine pairs are mis-stated is a share in the configuration.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

from pipeline.config import ReferenceSheet, StyleSheet, TextChecks
from pipeline.domain import CueReading, Listing, PartName, TextReading
from pipeline.evidence.print_reading import best_text, canonical, misread_likelihood, per_character, same_print

_NEAR = 4  # inches; a size printed otherwise than stated is seldom further off
# Where waist and leg do not both agree, the shares of: only one of them differs (each), both differ.
_ONE_DIFFERS, _BOTH_DIFFER = 0.4, 0.2
# Digits that read as a digit upside down too, and as which.
_UPSIDE_DOWN = str.maketrans("69", "96")
_EITHER_WAY_UP = frozenset("01689")


def text_readings(
    listing: Listing, texts: Sequence[TextReading], sheet: ReferenceSheet, style: StyleSheet | None, checks: TextChecks
) -> tuple[CueReading, ...]:
    """All cues that words can tell of one listing.

    Args:
        listing: the seller's fields.
        texts: print read in the photos.
        sheet: the maker's styles and code length.
        style: the style to compare with, or None.
        checks: settings.
    """
    found = (
        style_agrees(listing, texts, sheet, checks),
        size_agrees(listing, texts, checks),
        metal_agrees(listing, style),
        price_band(listing, style, checks),
        code_match(texts, sheet.button.back_code_digits, checks),
    )
    return tuple(reading for reading in found if reading is not None)


def style_agrees(
    listing: Listing, texts: Sequence[TextReading], sheet: ReferenceSheet, checks: TextChecks
) -> CueReading | None:
    """The style printed on the label against the stated one."""
    read = _trusted(texts, "style", checks)
    if read is None or not canonical(listing.style_number or ""):
        return None
    stated = canonical(listing.style_number or "")
    others = [canonical(number) for number in sheet.styles if not same_print(number, stated)]
    agree, differ = _style_likelihood(canonical(read.text), stated, others, read.confidence)
    return _reading("style_agrees", {"yes": agree, "no": differ}, read)


def size_agrees(listing: Listing, texts: Sequence[TextReading], checks: TextChecks) -> CueReading | None:
    """Waist and leg printed on the label against the stated ones; either may be missing."""
    pairs: list[tuple[float, float]] = []
    reads: list[TextReading] = []
    for field, stated in (("waist", listing.waist_in), ("leg", listing.leg_in)):
        read = _trusted(texts, field, checks, _digits)
        if read is None or stated is None:
            continue
        others = [str(size) for size in range(stated - _NEAR, stated + _NEAR + 1) if size != stated]
        pairs.append(_agreement(_digits(read.text), str(stated), others, read.confidence, checks))
        reads.append(read)
    if not pairs:
        return None
    agree, differ = _size_likelihood(pairs)
    least_alike = min(zip(pairs, reads, strict=True), key=lambda item: item[0][0] / (item[0][0] + item[0][1]))[1]
    return _reading("size_agrees", {"yes": agree, "no": differ}, least_alike)


def metal_agrees(listing: Listing, style: StyleSheet | None) -> CueReading | None:
    """The stated metal against the style's."""
    if style is None or not listing.hardware_metal:
        return None
    agrees = listing.hardware_metal.strip().lower() == style.rivet_metal.lower()
    return CueReading("metal_agrees", {"yes": float(agrees), "no": float(not agrees)}, text=listing.hardware_metal)


def price_band(listing: Listing, style: StyleSheet | None, checks: TextChecks) -> CueReading | None:
    """The price against what the style usually fetches: low is below a fraction of the lower usual price."""
    if style is None or listing.price_eur is None or listing.price_eur < 0:
        return None
    is_low = listing.price_eur < checks.price_low_below * style.usual_price_eur[0]
    return CueReading(
        "price_band", {"usual": float(not is_low), "low": float(is_low)}, text=f"{listing.price_eur:.2f} EUR"
    )


def code_match(texts: Sequence[TextReading], digits: int, checks: TextChecks) -> CueReading | None:
    """The code on the button's back against the care tag's.

    Args:
        texts: print read in the photos.
        digits: how many digits a code has; print with fewer or more counts as unread.
        checks: settings.
    """
    button = _code(texts, PartName.BUTTON_BACK, digits, checks)
    tag = _code(texts, PartName.CARE_TAG, digits, checks)
    if button is None or tag is None:
        return None
    ways = [
        _code_likelihood(way, _digits(tag.text), button.confidence, tag.confidence, checks)
        for way in _ways_up(_digits(button.text))
    ]
    match, differ = (sum(side) / len(ways) for side in zip(*ways, strict=True))
    reading = _reading("code_match", {"match": match, "differ": differ}, button)
    return CueReading(
        reading.cue,
        reading.likelihood,
        photo=button.photo,
        part=button.part,
        box=button.box,
        text=f"button {_digits(button.text)}, care tag {_digits(tag.text)}",
    )


def _ways_up(code: str) -> tuple[str, ...]:
    """What a code may be: a button has no top, and some codes read as another when they stand on their heads."""
    turned = code[::-1].translate(_UPSIDE_DOWN)
    return (code, turned) if set(code) <= _EITHER_WAY_UP and turned != code else (code,)


def _code(texts: Sequence[TextReading], part: PartName, digits: int, checks: TextChecks) -> TextReading | None:
    """The best whole code read on one kind of part."""
    whole = [text for text in texts if text.part is part and len(_digits(text.text)) == digits]
    return _trusted(whole, "code", checks, _digits)


def _code_likelihood(
    button: str, tag: str, button_confidence: float, tag_confidence: float, checks: TextChecks
) -> tuple[float, float]:
    """Likelihood of two read codes if the printed ones are equal, and if they are not.

    Equal codes read differently only through a misread digit. Codes that differ are either unrelated
    or, at `near_code_share`, one digit apart; without the latter, one clearly different digit among
    four would always pass for a misread.
    """
    length = len(button)
    a, b = per_character(button_confidence, length), per_character(tag_confidence, length)
    # Chance, per digit and relative to one in a hundred, of the two readings if the same digit is printed.
    alike = 10 * (a * b + (1 - a) * (1 - b) / checks.lookalikes)
    unlike = 10 * (a * (1 - b) + b * (1 - a) + (1 - a) * (1 - b)) / checks.lookalikes
    same = [alike if one == other else unlike for one, other in zip(button, tag, strict=True)]
    match = _product(same)
    # The same where different digits are printed: read alike only if one was misread as the other.
    misread = a * (1 - b) + b * (1 - a)
    apart = [10 / 9 * (misread if one == other else 1.0) for one, other in zip(button, tag, strict=True)]
    near = sum(match / here * other for here, other in zip(same, apart, strict=True)) / length
    differ = checks.near_code_share * near + (1 - checks.near_code_share) * 1.0
    return match, differ


def _product(values: Sequence[float]) -> float:
    """Product of a short list."""
    result = 1.0
    for value in values:
        result *= value
    return result


def _agreement(
    read: str, stated: str, others: Sequence[str], confidence: float, checks: TextChecks
) -> tuple[float, float]:
    """Likelihood of a reading if the stated text is printed, and if one of the others is."""
    agree = misread_likelihood(read, stated, confidence, checks.lookalikes)
    # What is printed may be outside the sheet's list; the text as read then explains itself best.
    candidates = set(others) | ({read} - {stated})
    differ = [misread_likelihood(read, other, confidence, checks.lookalikes) for other in sorted(candidates)]
    return agree, sum(differ) / max(len(differ), 1)


def _style_likelihood(read: str, stated: str, others: Sequence[str], confidence: float) -> tuple[float, float]:
    """Likelihood of a read style if the stated one is printed, and if one of the others is.

    A style is read as a whole, as one of the maker's: where the reading is wrong, any of them may be printed, however
    many characters they differ by. A reading that is hardly surer than a guess says hardly anything.
    """
    candidates = sorted(set(others) | ({read} - {stated}))
    guess = (1 - min(confidence, 0.999)) / (len(candidates) + 1)
    if read == stated:
        return guess + confidence, guess
    return guess, guess + confidence / len(candidates)


def _size_likelihood(pairs: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Join waist and leg: a size disagrees where at least one of the two does."""
    if len(pairs) == 1:
        (agree, differ), unseen = pairs[0], _ONE_DIFFERS
        return agree, (1 - unseen) * differ + unseen * agree
    (waist_yes, waist_no), (leg_yes, leg_no) = pairs
    differ = _ONE_DIFFERS * (waist_no * leg_yes + waist_yes * leg_no) + _BOTH_DIFFER * waist_no * leg_no
    return waist_yes * leg_yes, differ


def _trusted(
    texts: Sequence[TextReading], field: str, checks: TextChecks, clean: Callable[[str], str] = canonical
) -> TextReading | None:
    """The best reading of a field, or None where nobody could read it."""
    best = best_text([text for text in texts if text.field == field and clean(text.text)])
    return best if best is not None and best.confidence >= checks.least_confidence else None


def _digits(text: str) -> str:
    """The digits of a text."""
    return re.sub(r"[^0-9]", "", text)


def _reading(cue: str, likelihood: dict[str, float], read: TextReading) -> CueReading:
    """A reading of print, scaled to sum 1, with the place where it was read."""
    total = sum(likelihood.values())
    scaled = {state: value / total for state, value in likelihood.items()}
    return CueReading(cue, scaled, photo=read.photo, part=read.part, box=read.box, text=read.text)
