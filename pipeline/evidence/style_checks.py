"""What a crop shows against what the style should carry: the metal, and the curve of the motto.

The classifier only names what it sees (`metal_name`: copper or steel; `motto_curve`: arch_up, straight
or arch_down). Whether that is right depends on the style, so it is decided here.
"""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.config import ReferenceSheet, StyleSheet, TextChecks
from pipeline.domain import CueReading, Listing, PartReading, TextReading
from pipeline.evidence.print_reading import best_text, same_print

# raw head -> (cue, field of the style's sheet)
RAW_HEADS = {"metal_name": ("metal", "rivet_metal"), "motto_curve": ("label_motto_curve", "label_motto_curve")}


def resolve_style(
    listing: Listing, texts: Sequence[TextReading], sheet: ReferenceSheet, checks: TextChecks
) -> StyleSheet | None:
    """The style to compare with: the stated one, else the one printed on the label, else None.

    Args:
        listing: its style number may be missing or unknown to the sheet.
        texts: all print read in the listing's photos.
        sheet: the maker's styles.
        checks: print read with less than `least_confidence` does not count.
    """
    stated = next((number for number in sheet.styles if same_print(number, listing.style_number or "")), None)
    if stated is not None:
        return sheet.styles[stated]
    printed = best_text([text for text in texts if text.field == "style"])
    if printed is None or printed.confidence < checks.least_confidence:
        return None
    return next((style for number, style in sheet.styles.items() if same_print(number, printed.text)), None)


def compare_with_style(reading: CueReading, style: StyleSheet | None) -> CueReading | None:
    """Turn a raw head's reading into its style cue; other readings come back as they are.

    Returns:
        None where the comparison cannot be made: no style, or a style whose value the head does not know.
    """
    if reading.cue not in RAW_HEADS:
        return reading
    cue, field = RAW_HEADS[reading.cue]
    own = "" if style is None else str(getattr(style, field))
    if own not in reading.likelihood or len(reading.likelihood) < 2:
        return None
    as_style = reading.likelihood[own]
    # Nothing says which of the other values a departure takes, so each counts alike.
    other = (sum(reading.likelihood.values()) - as_style) / (len(reading.likelihood) - 1)
    total = as_style + other
    return CueReading(
        cue,
        {"as_style": as_style / total, "other": other / total},
        photo=reading.photo,
        part=reading.part,
        box=reading.box,
        measured=reading.measured,
        text=reading.text,
        heat=reading.heat,
    )


def with_style(part: PartReading, style: StyleSheet | None) -> PartReading:
    """The part with its raw heads turned into style cues, or dropped where the style is not known."""
    compared = (compare_with_style(reading, style) for reading in part.cues)
    return PartReading(part.found, tuple(reading for reading in compared if reading is not None), part.texts)
