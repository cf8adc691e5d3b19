"""Does a fault that nobody listed still rise? `python -m pipeline.evaluate.unlisted --out DIR`.

Leaves one cue out at a time: pairs that depart in that cue alone, its own reading withheld, against pairs that are
genuine throughout. On drawn crops, whether the part is told from genuine ones (AUROC of how unlike it is); on listings,
whether they rank above genuine ones with and without the comparison. The network may still have met the cue in
training: `pipeline.train.from_drawings --without-cue` trains one that has not.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np

from pipeline.classify.crops import CROPS
from pipeline.classify.genuine_memory import FEATURES, GenuineMemory, load_memory
from pipeline.classify.part_reader import shows_clearly
from pipeline.classify.unlike_genuine import unlike_genuine
from pipeline.config import EvidenceConfig, ReferenceSheet, load_evidence, load_sheets
from pipeline.cues import LISTED_CUES, UNLIKE_GENUINE, Source
from pipeline.domain import FoundPart, ListingReadings, PartName
from pipeline.evaluate.labelled import read_labelled
from pipeline.evaluate.metrics import auroc
from pipeline.evidence import assess
from pipeline.model_files import Network, PartsCard, read_card
from pipeline.one_processor import use_one_processor
from pipeline.scan import Pool, look_at_listings
from synthetic.arrays import arrays_for
from synthetic.crops import PartCrop, crop_of_pair
from synthetic.listings import SynthOptions, write_folder
from synthetic.looks import LOOKS
from synthetic.pair import Pair, cues_without_place, make_pair, states_departing_in

Rng = np.random.Generator
_BY_CROP = (Source.CROP, Source.STYLE)
# Part and cue, wherever a crop shows the cue; a tab's place is a matter of the pocket round it.
PLACES: tuple[tuple[PartName, str], ...] = (
    *((part, name) for name, cue in LISTED_CUES.items() if cue.source in _BY_CROP for part in cue.parts),
    (PartName.POCKET, "tab_position"),
)
_RARE = 0.05  # p-value from which a crop is called unlike in the figures


@dataclass(frozen=True, slots=True)
class CropFigure:
    """How well departing crops are told from genuine ones; shares are of crops with p up to 0.05."""

    part: str
    cue: str
    departed: int
    genuine: int
    auroc: float | None
    unlike_departed: float
    unlike_genuine: float


@dataclass(frozen=True, slots=True)
class ListingFigure:
    """AUROC of listings whose photos show a departure in this cue against genuine ones, the cue itself withheld."""

    cue: str
    departed: int
    genuine: int
    without: float | None
    with_comparison: float | None


# ---------------------------------------------------------------- crops


class Compare:
    """The part network with the memory, on drawn crops."""

    def __init__(self, models_dir: Path) -> None:
        """Load both.

        Raises:
            ValueError: if there is no memory to compare with.
        """
        self.card = read_card(models_dir, "parts", PartsCard)
        memory = load_memory(models_dir, self.card)
        if isinstance(memory, str):
            raise ValueError(memory)
        self.memory: GenuineMemory = memory
        sides = {spec.side_px for spec in CROPS.values()}
        self.networks = {side: Network(models_dir, self.card.network, side, 1) for side in sides}

    def p(self, crop: PartCrop) -> float | None:
        """The p-value of a crop; None where it does not show its part clearly."""
        out = self.networks[CROPS[crop.part].side_px](crop.pixels)
        if not shows_clearly(crop.part, out, self.card):
            return None
        found = FoundPart("drawn", crop.part, crop.annotation.box, 1.0)
        reading = unlike_genuine(self.memory, found, out[FEATURES], crop.square, crop.size_wh)
        return None if reading is None or reading.measured is None else reading.measured.value / 100


def draw_crop(rng: Rng, sheet: ReferenceSheet, part: PartName, cue: str | None) -> PartCrop:
    """A crop of a pair that departs in one cue alone, which the crop shows, or in none."""

    def next_pair() -> Pair:
        styles = [style for style in sheet.styles if cue not in cues_without_place(sheet, style)]
        look = LOOKS[str(rng.choice(list(LOOKS)))]
        return make_pair(rng, sheet, states_departing_in(rng, cue), cue is not None, look, str(rng.choice(styles)))

    while True:
        crop, _ = crop_of_pair(rng, next_pair, part, arrays_for("cpu"))
        if cue is None or cue in crop.annotation.attributes or cue not in crop.annotation.truth:
            return crop


def crop_figures(
    sheet: ReferenceSheet, p_of: Callable[[PartCrop], float | None], departed: int, genuine: int, seed: int
) -> list[CropFigure]:
    """Draw crops of every part and cue and compare them; crops that are not clear are left out."""

    def drawn(part: PartName, cue: str | None, count: int) -> list[float]:
        place = [list(PartName).index(part), 0 if cue is None else 1 + list(LISTED_CUES).index(cue)]
        crops = (draw_crop(np.random.default_rng([seed, *place, i]), sheet, part, cue) for i in range(count))
        return [p for crop in crops if (p := p_of(crop)) is not None]

    usual = {part: drawn(part, None, genuine) for part in dict.fromkeys(part for part, _ in PLACES)}
    return [_crop_figure(part, cue, drawn(part, cue, departed), usual[part]) for part, cue in PLACES]


def _crop_figure(part: PartName, cue: str, odd: Sequence[float], usual: Sequence[float]) -> CropFigure:
    told = None
    if odd and usual:
        told = auroc([-p for p in (*odd, *usual)], [True] * len(odd) + [False] * len(usual))
    shares = (float(np.mean(np.array(row) <= _RARE)) if row else 0.0 for row in (odd, usual))
    return CropFigure(part.value, cue, len(odd), len(usual), told, *shares)


# ---------------------------------------------------------------- listings


def draw_listings(out: Path, sheet: ReferenceSheet, cues: Sequence[str], each: int, genuine: int, seed: int) -> None:
    """A folder of `each` counterfeits a cue, and one of genuine pairs, under `out`."""
    write_folder(out / "genuine", listings=genuine, seed=seed, sheet=sheet, options=SynthOptions(0.0, None, cues[0]))
    for number, cue in enumerate(cues, 1):
        options = SynthOptions(counterfeit_share=1.0, only_cue=cue)
        write_folder(out / cue, listings=each, seed=seed + number, sheet=sheet, options=options)


def listing_figures(
    out: Path, cues: Sequence[str], sheets: Mapping[str, ReferenceSheet], evidence: EvidenceConfig, models_dir: Path
) -> list[ListingFigure]:
    """Scan what `draw_listings` drew and rank the listings of each cue among the genuine ones."""
    labelled = {name: read_labelled(out / name) for name in ("genuine", *cues)}
    listings = [
        replace(one, photos=tuple(f"{name}/{photo}" for photo in one.photos))
        for name, folder in labelled.items()
        for one in folder.listings
    ]
    read = look_at_listings(listings, Pool(models_dir, out, sheets, 2), evidence, _silent)
    readings = {one.listing.listing_id: one for one in read}
    genuine = [readings[one.listing_id] for one in labelled["genuine"].listings]
    figures = []
    for cue in cues:
        shown = {part.photo for part in labelled[cue].parts if part.cues.get(cue, LISTED_CUES[cue].genuine_state)
                 != LISTED_CUES[cue].genuine_state}  # fmt: skip
        odd = [readings[one.listing_id] for one in labelled[cue].listings if shown & set(one.photos)]
        ranks = (_ranked(odd, genuine, hidden, sheets, evidence) for hidden in ({cue, UNLIKE_GENUINE}, {cue}))
        figures.append(ListingFigure(cue, len(odd), len(genuine), *ranks))
    return figures


def _ranked(
    odd: Sequence[ListingReadings],
    genuine: Sequence[ListingReadings],
    hidden: set[str],
    sheets: Mapping[str, ReferenceSheet],
    evidence: EvidenceConfig,
) -> float | None:
    """AUROC of the evidence with the readings of some cues hidden."""
    if not odd or not genuine:
        return None
    scores = [assess(without(one, hidden), sheets[one.listing.maker], evidence).log10_lr for one in (*odd, *genuine)]
    return auroc(scores, [True] * len(odd) + [False] * len(genuine))


def without(readings: ListingReadings, hidden: set[str]) -> ListingReadings:
    """The readings of a listing without those of some cues."""
    parts = tuple(
        replace(part, cues=tuple(cue for cue in part.cues if cue.cue not in hidden)) for part in readings.parts
    )
    return replace(readings, parts=parts)


def _silent(done: int, total: int) -> None:
    """No progress is shown."""


def as_table(crops: Sequence[CropFigure], listings: Sequence[ListingFigure]) -> str:
    """Both as Markdown."""
    lines = ["| part | cue left out | crops | AUROC | unlike (p up to 0.05) | genuine so |", "| --- " * 6 + "|"]
    lines += [
        f"| {f.part} | {f.cue} | {f.departed} | {_figure(f.auroc)} | {f.unlike_departed:.2f} | {f.unlike_genuine:.2f} |"
        for f in crops
    ]
    lines += ["", "| cue left out | listings | rank without comparing | with |", "| --- " * 4 + "|"]
    lines += [f"| {f.cue} | {f.departed} | {_figure(f.without)} | {_figure(f.with_comparison)} |" for f in listings]
    return "\n".join(lines)


def _figure(value: float | None) -> str:
    return "-" if value is None else f"{value:.3f}"


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, required=True, help="a new folder")
    parser.add_argument("--crops", type=int, default=40, metavar="N", help="of each part and cue")
    parser.add_argument("--genuine-crops", type=int, default=100, metavar="N", help="of each part")
    parser.add_argument("--listings", type=int, default=12, metavar="N", help="of each cue; 0: crops only")
    parser.add_argument("--genuine-listings", type=int, default=60, metavar="N")
    parser.add_argument("--seed", type=int, default=31)
    parser.add_argument("--models", type=Path, default=Path("models"), metavar="DIR")
    parser.add_argument("--configs", type=Path, default=Path("configs"), metavar="DIR")
    args = parser.parse_args()
    use_one_processor()
    sheets, evidence = load_sheets(args.configs), load_evidence(args.configs / "evidence.yaml")
    sheet = next(iter(sheets.values()))
    args.out.mkdir(parents=True, exist_ok=True)
    crops, listings, cues = [], [], list(dict.fromkeys(cue for _, cue in PLACES))
    if args.crops:
        crops = crop_figures(sheet, Compare(args.models).p, args.crops, args.genuine_crops, args.seed)
    if args.listings:
        draw_listings(args.out, sheet, cues, args.listings, args.genuine_listings, args.seed)
        listings = listing_figures(args.out, cues, sheets, evidence, args.models)
    figures = {"crops": [asdict(f) for f in crops], "listings": [asdict(f) for f in listings]}
    (args.out / "unlisted.json").write_text(json.dumps(figures, indent=1) + "\n", encoding="utf-8")
    print(as_table(crops, listings))


if __name__ == "__main__":
    main()
