"""The trainings that the ablation compares, by name: what each does otherwise than the base."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pipeline.train.backbone import TrunkSize
from pipeline.train.families import ALL_FAMILIES, AT_DRAWING, NO_FAMILY, Families, Family
from synthetic.looks import LOOKS

_HELD_OUT = "@"
NO_LOOK = "none"


@dataclass(frozen=True, slots=True)
class Column:
    """A way to train. The base: a pretrained Lite0, all augmentation, nothing mixed.

    `title` stands in the table.
    """

    title: str
    from_scratch: bool = False
    trunk: TrunkSize = TrunkSize.LITE0
    mix_style: float = 0.0
    without: Families = NO_FAMILY

    @property
    def options(self) -> tuple[str, ...]:
        """What `from_drawings` is told for it; the weights of the trunk are the caller's to name."""
        words: list[str] = ["--trunk", self.trunk]
        if self.from_scratch:
            words += ["--backbone", "none"]
        if self.mix_style > 0:
            words += ["--mix-style", str(self.mix_style)]
        if self.without:
            words += ["--without-augment", *sorted(self.without)]
        return tuple(words)


COLUMNS: Mapping[str, Column] = {
    "base": Column("pretrained, all augmentation"),
    "scratch": Column("from scratch", from_scratch=True),
    "lite1": Column("larger backbone", trunk=TrunkSize.LITE1),
    "mix-style": Column("looks mixed inside", mix_style=0.5),
    "no-light": Column(
        "no change of light", without=frozenset({Family.EXPOSURE, Family.COLOUR, Family.LAMPS, Family.SHADOW})
    ),
    "no-camera": Column("no change of camera", without=frozenset({Family.OPTICS, Family.NOISE, Family.COMPRESSION})),
    "no-place": Column("no change of place", without=frozenset({Family.MOVES, Family.MIRROR, Family.OCCLUSION})),
    "bare": Column("no augmentation", without=ALL_FAMILIES),
    **{f"no-{family}": Column(f"no {family}", without=frozenset({family})) for family in Family},
}


@dataclass(frozen=True, slots=True)
class Training:
    """A column trained without one look, or with all (None); written `base@etched`, `base@none`."""

    column: str
    without_look: str | None

    def __str__(self) -> str:
        """As it is typed, and as its file is called."""
        return f"{self.column}{_HELD_OUT}{self.without_look or NO_LOOK}"

    @property
    def options(self) -> tuple[str, ...]:
        """What `from_drawings` is told for it."""
        look = () if self.without_look is None else ("--without-look", self.without_look)
        return (*COLUMNS[self.column].options, *look)


def training_named(word: str) -> Training:
    """The training that is written so; where no look is named, `etched` is held out.

    Raises:
        ValueError: if there is no such column or look; says which there are.
    """
    column, _, look = word.partition(_HELD_OUT)
    if column not in COLUMNS:
        raise ValueError(f"no such column: {column!r}; there are: {', '.join(COLUMNS)}")
    look = look or "etched"
    if look not in (*LOOKS, NO_LOOK):
        raise ValueError(f"no such look: {look!r}; there are: {', '.join(LOOKS)}, {NO_LOOK}")
    return Training(column, None if look == NO_LOOK else look)


def sets_to_store(trainings: Sequence[Training]) -> tuple[Families, ...]:
    """For how many sets of families left out samples have to be stored, so that every training finds its own."""
    return tuple(dict.fromkeys(COLUMNS[one.column].without & AT_DRAWING for one in trainings))
