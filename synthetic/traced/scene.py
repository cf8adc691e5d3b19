"""What a photo is taken of: surfaces, the parts among them with what is true of each, and what hides them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from pipeline.domain import PartName
from synthetic.traced.cloth import drape
from synthetic.traced.shapes import Array, Surface


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """A part of the garment as it lies in the scene, in mm.

    `points` (n, 3) are those of its mesh that a box must hold; `print_points` lie round its readable print, whose
    """

    name: PartName
    points: Array
    states: Mapping[str, str] = field(default_factory=dict)
    text: str | None = None
    print_points: Array | None = None
    print_mm: float = 0.0
    keypoints: Array | None = None
    tab_position_mm: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """Surfaces, parts, and convex things in front of them given by their points."""

    surfaces: tuple[Surface, ...]
    parts: tuple[Part, ...]
    in_front: tuple[Array, ...] = ()

    def draped(self, folds: Sequence[tuple[float, float, float, float]]) -> Scene:
        """The whole scene lying on waving cloth; what is in front stays where it is."""
        return Scene(
            tuple(s.moved(drape(s.points, folds)) for s in self.surfaces),
            tuple(_draped(part, folds) for part in self.parts), self.in_front,
        )  # fmt: skip


def _draped(part: Part, folds: Sequence[tuple[float, float, float, float]]) -> Part:
    def lift(points: Array | None) -> Array | None:
        return None if points is None else drape(points, folds)

    return replace(
        part, points=drape(part.points, folds), print_points=lift(part.print_points), keypoints=lift(part.keypoints)
    )
