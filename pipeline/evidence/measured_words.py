"""What was measured, in a moderator's words, beside what the sheet says."""

from __future__ import annotations

from pipeline.config import ReferenceSheet
from pipeline.domain import Measurement


def measured_words(cue: str, measured: Measurement, sheet: ReferenceSheet | None = None) -> str:
    """A number with its uncertainty, such as "8.1 ± 0.4 stitches per inch, sheet: 8".

    Args:
        cue: the cue's name.
        measured: the number behind it.
        sheet: the maker's; without it the number stands alone.
    """
    value = f"{measured.value:.1f} ± {measured.sigma:.1f}"
    if cue == "tab_stitch_spacing":
        return f"{value} {measured.unit}" + (f", sheet: {sheet.pocket.stitches_per_inch:g}" if sheet else "")
    if cue == "label_ground":
        allows = f"; it allows {sheet.label.ground_lab_tolerance:g}" if sheet else ""
        return f"{value} CIEDE2000 from the sheet's{allows}"
    return f"measured {value} {measured.unit}"
