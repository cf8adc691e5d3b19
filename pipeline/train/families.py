"""Families of augmentation by name, so that each can be left out and its worth measured."""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum
from pathlib import Path


class Family(StrEnum):
    """What is changed in a training picture, whether once when it is drawn or anew at every step."""

    EXPOSURE = "exposure"  # brightness, contrast, gamma
    COLOUR = "colour"  # hue, saturation, gains on a channel, grey
    LAMPS = "lamps"  # lamps that exist, and how a camera balances them
    SHADOW = "shadow"  # a shadow's edge across the crop
    OPTICS = "optics"  # out of focus, moved, coarse, sharpened
    NOISE = "noise"  # of a sensor
    COMPRESSION = "compression"  # JPEG
    OCCLUSION = "occlusion"  # a patch covered
    MOVES = "moves"  # turned, scaled, shifted, sheared
    MIRROR = "mirror"  # the detector's photos left to right


Families = frozenset[Family]
NO_FAMILY: Families = frozenset()
ALL_FAMILIES: Families = frozenset(Family)
# Applied when a sample is drawn (some at every step too): leaving these out takes samples of their own.
AT_DRAWING: Families = ALL_FAMILIES - {Family.LAMPS, Family.MIRROR}
_JOIN = "+"


def families_named(names: Iterable[str]) -> Families:
    """The families of these names; `all` stands for every one.

    Raises:
        ValueError: if there is no such family; says which there are.
    """
    found: set[Family] = set()
    for name in names:
        if name == "all":
            found |= ALL_FAMILIES
        elif name in list(Family):
            found.add(Family(name))
        else:
            raise ValueError(f"no such family of augmentation: {name!r}; there are: {', '.join(Family)}, all")
    return frozenset(found)


def joined(families: Families) -> str:
    """The families as one word, in the table's order: `colour+noise`; `none` for none."""
    return _JOIN.join(family for family in Family if family in families) or "none"


def parted(word: str) -> Families:
    """The families that `joined` made a word of.

    Raises:
        ValueError: as `families_named`.
    """
    return NO_FAMILY if word == "none" else families_named(word.split(_JOIN))


def samples_without(folder: Path, families: Families) -> Path:
    """Where the samples lie that were drawn without these families; what only steps do makes no difference."""
    left_out = families & AT_DRAWING
    return folder / f"without_{joined(left_out)}" if left_out else folder
