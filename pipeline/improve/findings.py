"""What may be wrong with labels, as sentences with the listings they are about."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Worry(StrEnum):
    """What kind of trouble it is."""

    LEAK = "leak"
    CONTRADICTION = "contradiction"
    MISLABEL = "mislabel"
    GAP = "gap"
    UNREADABLE = "unreadable"

    @property
    def says(self) -> str:
        """As a heading."""
        return {
            Worry.LEAK: "Test and training know of each other",
            Worry.CONTRADICTION: "Labels that contradict each other",
            Worry.MISLABEL: "Labels that look wrong",
            Worry.GAP: "Too few examples",
            Worry.UNREADABLE: "Photos that can't be read",
        }[self]


@dataclass(frozen=True, slots=True)
class Finding:
    """One worry: a sentence for a person, and the listings to look at."""

    worry: Worry
    sentence: str
    listings: tuple[str, ...] = ()
