"""The cues: where each is judged, its states, and the plain words for them.

This is the one table a newcomer needs: a cue is *defined* here, *drawn* in `synthetic/`, *learned*
in `pipeline/classify/heads.py`, *weighed* in `configs/evidence.yaml`, and *shown* with the words below.
The first state of a cue is what a genuine pair shows.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from pipeline.domain import PartName


class Source(StrEnum):
    """How a cue becomes known."""

    CROP = "crop"  # judged by a classifier on a part's crop
    STYLE = "style"  # the classifier names it; compared with what the style should carry
    MEASURE = "measure"  # a number with its uncertainty
    PRINT = "print"  # printed text read off a part, compared with other text
    TEXT = "text"  # the listing's own fields
    PHOTOS = "photos"  # the photo files themselves
    LIKENESS = "likeness"  # how far a part is from the genuine ones seen so far, whatever is wrong with it


@dataclass(frozen=True, slots=True)
class Cue:
    """One thing a person who knows the garment looks at.

    `topic` is what a moderator calls it; `words` maps each state to a short plain phrase; `view` is the kind of
    photo to ask the seller for when the cue is not seen ("" where no photo would help).
    """

    name: str
    topic: str
    parts: tuple[PartName, ...]
    words: Mapping[str, str]
    source: Source
    view: str = ""

    @property
    def states(self) -> tuple[str, ...]:
        """All states, the genuine one first."""
        return tuple(self.words)

    @property
    def genuine_state(self) -> str:
        """What a genuine pair shows."""
        return self.states[0]


_TAB, _LABEL, _ZIP = (PartName.TAB,), (PartName.LABEL,), (PartName.ZIP,)
_BUTTON, _RIVET = (PartName.BUTTON,), (PartName.RIVET,)

VIEWS: Mapping[str, str] = {
    "back_pocket": "the right back pocket, straight on, with the tab and all its edges in the picture",
    "tab": "the tab close up, with the seam it is sewn into",
    "label": "the waistband label, straight on and sharp",
    "button": "the face of the waistband button, close up",
    "button_back": "the back of the waistband button, close up",
    "rivet": "a pocket rivet, close up, from outside and inside",
    "zip": "the zip slider with its pull, close up",
    "care_tag": "the care tag inside, flat and sharp",
}

# fmt: off
CUES: Mapping[str, Cue] = {
    cue.name: cue
    for cue in (
        Cue("tab_position", "height of the tab", _TAB, {
            "in_place": "tab at its usual height on the pocket seam",
            "off": "tab too high or too low on the pocket seam",
        }, Source.MEASURE, "back_pocket"),
        Cue("tab_stitch_spacing", "stitching of the tab", _TAB, {
            "even": "tab stitching even",
            "uneven": "tab stitching uneven: gaps or a wandering line",
        }, Source.CROP, "tab"),
        Cue("tab_thread", "thread of the tab", _TAB, {
            "matching": "tab sewn with the pocket's own thread colour",
            "other": "tab sewn with another thread colour than the pocket",
        }, Source.CROP, "tab"),
        Cue("tab_resewn", "seam behind the tab", _TAB, {
            "no": "no trace of resewing at the tab",
            "yes": "seam at the tab looks opened and sewn again: old holes or stitches over stitches",
        }, Source.CROP, "tab"),
        Cue("tab_word", "word on the tab", _TAB, {
            "full": "whole word on the tab",
            "mark_only": "only the small mark on the tab (innocent: about one genuine tab in a hundred)",
            "cut_short": "a letter missing from the tab's word",
            "wrong": "another word on the tab",
        }, Source.CROP, "tab"),
        Cue("label_ground", "ground of the label", _LABEL, {
            "tan": "label ground tan",
            "dark": "label ground very dark",
            "white": "label ground white",
        }, Source.CROP, "label"),
        Cue("label_size_print", "colour of the size print", _LABEL, {
            "black": "size printed in black",
            "coloured": "size printed in a colour other than black",
        }, Source.CROP, "label"),
        Cue("label_size_order", "size print over or under the seam", _LABEL, {
            "over": "size printed after the label was sewn on",
            "under": "size printed before the label was sewn on",
        }, Source.CROP, "label"),
        Cue("label_motto_curve", "curve of the motto", _LABEL, {
            "as_style": "motto curved as this style has it",
            "other": "motto curved otherwise than this style has it (styles vary: weak)",
        }, Source.STYLE, "label"),
        Cue("label_fading", "fading of the label", _LABEL, {
            "with_wear": "label faded no more than its wear explains",
            "ahead_of_wear": "label faded ahead of its wear",
        }, Source.CROP, "label"),
        Cue("button_finish", "finish of the button", _BUTTON, {
            "clean": "button metal clean",
            "coated": "button looks coated",
        }, Source.CROP, "button"),
        Cue("button_lettering", "lettering of the button", _BUTTON, {
            "crisp": "button lettering cut clean",
            "blobs": "blobs round the button's letters",
        }, Source.CROP, "button"),
        Cue("metal", "metal of button and rivets", _BUTTON + _RIVET, {
            "as_style": "metal as this style carries it",
            "other": "another metal than this style carries",
        }, Source.STYLE, "button"),
        Cue("code_match", "code against code", (PartName.BUTTON_BACK, PartName.CARE_TAG), {
            "match": "code on the button's back equals the care tag's",
            "differ": "code on the button's back differs from the care tag's",
        }, Source.PRINT, "button_back"),
        Cue("rivet_stamp", "stamp of the rivets", _RIVET, {
            "stamped": "rivet carries its stamp",
            "blank": "rivet is blank",
        }, Source.CROP, "rivet"),
        Cue("zip_mark", "name on the zip", _ZIP, {
            "own": "zip carries the maker's own name",
            "approved": "zip carries the approved supplier's name",
            "none": "zip carries no name",
            "other": "zip carries another name",
        }, Source.CROP, "zip"),
        Cue("style_agrees", "printed against stated style", _LABEL, {
            "yes": "printed style equals the stated one",
            "no": "printed style differs from the stated one",
        }, Source.PRINT, "label"),
        Cue("size_agrees", "printed against stated size", _LABEL, {
            "yes": "printed size equals the stated one",
            "no": "printed size differs from the stated one",
        }, Source.PRINT, "label"),
        Cue("metal_agrees", "stated metal against the style", (), {
            "yes": "stated metal is the one this style carries",
            "no": "stated metal is not the one this style carries",
        }, Source.TEXT),
        Cue("price_band", "price", (), {
            "usual": "price within what this style usually fetches",
            "low": "price well below what this style usually fetches",
        }, Source.TEXT),
        Cue("photo_reuse", "the same photo elsewhere", (), {
            "none": "photos not seen under another seller",
            "other_seller": "the same photo stands under another seller",
        }, Source.PHOTOS),
        Cue("unlike_genuine", "likeness to genuine parts", tuple(PartName), {
            "like": "parts look like the genuine ones seen so far",
            "unlike": "part looks unlike the genuine ones seen so far",
        }, Source.LIKENESS),
    )
}
# fmt: on
UNLIKE_GENUINE = "unlike_genuine"
# What can be true of a pair. That a part is unlike the genuine ones is a way of noticing, not a fact of its own.
LISTED_CUES: Mapping[str, Cue] = {name: cue for name, cue in CUES.items() if cue.source is not Source.LIKENESS}


def topics_not_shown(not_seen: Iterable[str]) -> list[str]:
    """What a moderator is told no photo shows: of the cues not seen, those that a photo would help with."""
    return [CUES[name].topic for name in not_seen if name in CUES and CUES[name].view]
