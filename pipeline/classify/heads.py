"""What the part network answers: one head a cue, digit slots for print, points of a pocket.

To add a cue that a crop shows, add a line to HEADS; draw it in `synthetic/parts/`, weigh it in
`configs/evidence.yaml`. The network grows a query a head and a query a digit slot.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.domain import PartName

COPPER_STEEL = ("copper", "steel")
MOTTO_CURVES = ("arch_up", "straight", "arch_down")


@dataclass(frozen=True, slots=True)
class Head:
    """A question about a crop: its answers, and the parts on whose crops it is asked."""

    name: str
    answers: tuple[str, ...]
    parts: tuple[PartName, ...]


HEADS: tuple[Head, ...] = (
    Head("tab_stitch_spacing", ("even", "uneven"), (PartName.TAB,)),
    Head("tab_thread", ("matching", "other"), (PartName.TAB,)),
    Head("tab_resewn", ("no", "yes"), (PartName.TAB,)),
    Head("tab_word", ("full", "mark_only", "cut_short", "wrong"), (PartName.TAB,)),
    Head("label_ground", ("tan", "dark", "white"), (PartName.LABEL,)),
    Head("label_size_print", ("black", "coloured"), (PartName.LABEL,)),
    Head("label_size_order", ("over", "under"), (PartName.LABEL,)),
    Head("motto_curve", MOTTO_CURVES, (PartName.LABEL,)),
    Head("label_fading", ("with_wear", "ahead_of_wear"), (PartName.LABEL,)),
    Head("button_finish", ("clean", "coated"), (PartName.BUTTON,)),
    Head("button_lettering", ("crisp", "blobs"), (PartName.BUTTON,)),
    Head("metal_name", COPPER_STEEL, (PartName.BUTTON, PartName.RIVET)),
    Head("rivet_stamp", ("stamped", "blank"), (PartName.RIVET,)),
    Head("zip_mark", ("own", "approved", "none", "other"), (PartName.ZIP,)),
)
HEAD_BY_NAME: Mapping[str, Head] = {head.name: head for head in HEADS}

# The contract's cue that a head's answer leads to, where the names differ.
CUE_OF_HEAD: Mapping[str, str] = {"metal_name": "metal", "motto_curve": "label_motto_curve"}

DIGIT_ANSWERS = 10
PRINT_FIELDS: Mapping[PartName, tuple[tuple[str, int], ...]] = {
    PartName.BUTTON_BACK: (("code", 4),),
    PartName.CARE_TAG: (("code", 4),),
    PartName.LABEL: (("style", 2), ("waist", 2), ("leg", 2)),
}
POCKET_POINTS = ("top_left", "top_right", "bottom_right", "bottom_tip", "bottom_left", "tab_top", "tab_bottom")


def head_slices() -> dict[str, slice]:
    """Where each head's logits lie in the network's answer vector."""
    out, start = {}, 0
    for head in HEADS:
        out[head.name] = slice(start, start + len(head.answers))
        start += len(head.answers)
    return out


def digit_slots() -> dict[tuple[PartName, str], slice]:
    """Where each printed field's digits lie among the digit slots."""
    out, start = {}, 0
    for part, fields in PRINT_FIELDS.items():
        for name, count in fields:
            out[part, name] = slice(start, start + count)
            start += count
    return out


def fields_of(part: PartName) -> dict[str, slice]:
    """Where a part's printed fields lie among the digit slots, by field."""
    return {name: place for (owner, name), place in digit_slots().items() if owner is part}


def slots_of(part: PartName) -> list[int]:
    """All digit slots of a part's print."""
    return [slot for place in fields_of(part).values() for slot in range(place.start, place.stop)]


def _shared_slots() -> tuple[int, ...]:
    """Which map each digit slot looks at: fields of the same name share theirs (a code is a code on button and tag)."""
    first: dict[str, int] = {}
    out: list[int] = []
    for fields in PRINT_FIELDS.values():
        for name, count in fields:
            start = first.setdefault(name, max(out, default=-1) + 1)
            out += range(start, start + count)
    return tuple(out)


SHARED_SLOTS = _shared_slots()
ANSWER_COUNT = sum(len(h.answers) for h in HEADS)
SLOT_COUNT = sum(n for fields in PRINT_FIELDS.values() for _, n in fields)
