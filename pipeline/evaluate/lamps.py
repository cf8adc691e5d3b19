"""Do colour cues survive the lamp? `python -m pipeline.evaluate.lamps --crops N --seed S --out DIR`.

Draws crops, shows them under CIE A, D50, D65, D75, F2 and F11 to a camera that keeps its daylight balance and to one
that balances imperfectly, corrects them by what their photo tells of the light, and lets the part network judge them.
Writes `lamps.json` and `lamps.png`. Needs colour-science of the dev extra, for the spectra.
"""

from __future__ import annotations

import argparse
import itertools
import json
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.classify.crops import CROPS
from pipeline.classify.heads import CUE_OF_HEAD, HEAD_BY_NAME, head_slices
from pipeline.classify.part_reader import softmax
from pipeline.config import ReferenceSheet, load_sheet
from pipeline.domain import PartName
from pipeline.evaluate.lamp_camera import LAMPS, LampCamera, camera_under_lamps
from pipeline.evaluate.lamp_figures import (
    MIXED,
    CueUnderLamp,
    LightFound,
    Outcome,
    as_table,
    reproduction_error_deg,
    summary,
)
from pipeline.evaluate.lamp_picture import draw_lamps
from pipeline.evaluate.metrics import auroc
from pipeline.measures.white_balance import (
    GREY_EDGE,
    GREY_WORLD,
    SHADES_OF_GREY,
    Assumption,
    beyond_denim,
    light_colour,
    relit,
    to_daylight,
)
from pipeline.model_files import Network, PartsCard, read_card
from pipeline.one_processor import use_one_processor
from synthetic.arrays import arrays_for
from synthetic.crops import PartCrop, sample_crop_with_view
from synthetic.looks import LOOKS

Pixels = NDArray[np.uint8]
Light = NDArray[np.float64]
Judge = Callable[[PartName, Pixels], NDArray[np.float32]]  # a part's crop -> the network's answers, logits

COLOUR_HEADS = ("label_ground", "label_size_print", "label_fading", "tab_thread", "button_finish", "metal_name")
PARTS = (PartName.LABEL, PartName.TAB, PartName.BUTTON, PartName.RIVET)
_DEPARTURES = 0.5
_PHOTO_SIDE_PX = 160  # of the small copy that tells the light
_LEAST_CHANCE = 1e-6
_SLICES = head_slices()


@dataclass(frozen=True, slots=True)
class Balance:
    """A camera's white balance: how far it follows the lamp, lowest and highest, and its error (log, a channel)."""

    adapted: tuple[float, float]
    error: float


BALANCES: Mapping[str, Balance] = {
    "fixed at daylight": Balance((0.0, 0.0), 0.0),
    "imperfect": Balance((0.3, 1.0), 0.05),
}


@dataclass(frozen=True, slots=True, eq=False)
class Sample:
    """A drawn crop, its photo made small, the light already on both, and the answers a person could give.

    `inside` is the part of the crop that lies in the photo: the grey outside it no lamp reaches.
    """

    part: PartName
    pixels: Pixels
    photo: Pixels
    light: Light
    answers: Mapping[str, int]
    inside: tuple[slice, slice]


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """A sample under a lamp: crop and photo as the camera gives them, and what a white thing would look like."""

    sample: Sample
    pixels: Pixels
    photo: Pixels
    light: Light


Correction = Callable[[Shown], Light]  # what to take for the light
_WHITE: Light = np.ones(3)  # leaves a crop as it is


def _assuming(assumption: Assumption) -> Correction:
    def found(shown: Shown) -> Light:
        light = light_colour(shown.photo, assumption)
        return _WHITE if light is None else light

    return found


def _beyond_denim(shown: Shown) -> Light:
    rest = beyond_denim(_assuming(GREY_WORLD)(shown))
    return _WHITE if np.allclose(rest, _WHITE) else rest


CORRECTIONS: Mapping[str, Correction] = {
    "none": lambda shown: _WHITE,
    "grey world": _assuming(GREY_WORLD),
    "shades of grey": _assuming(SHADES_OF_GREY),
    "grey edge": _assuming(GREY_EDGE),
    "beyond denim": _beyond_denim,
    "true light": lambda shown: shown.light,  # no photo tells it: the most that any correction could win
}


def draw_samples(sheet: ReferenceSheet, crops: int, seed: int) -> list[Sample]:
    """Draw `crops` crops of each part with colour cues."""
    numbers = itertools.product(range(len(PARTS)), range(crops))
    return [_sample(np.random.default_rng([seed, place, i]), sheet, PARTS[place]) for place, i in numbers]


def _sample(rng: np.random.Generator, sheet: ReferenceSheet, part: PartName) -> Sample:
    arrays = arrays_for("cpu")
    crop, view = sample_crop_with_view(rng, sheet, part, tuple(LOOKS), _DEPARTURES, arrays)
    scale = _PHOTO_SIDE_PX / max(crop.size_wh)
    photo = view.draw(arrays, None, (round(crop.size_wh[0] * scale), round(crop.size_wh[1] * scale)))
    truth = {**crop.annotation.truth, "metal_name": crop.pair.metal}
    answers = {
        name: HEAD_BY_NAME[name].answers.index(truth[name])
        for name in COLOUR_HEADS
        if CUE_OF_HEAD.get(name, name) in crop.annotation.attributes
    }
    return Sample(part, crop.pixels, photo, np.array(view.lamp.gains), answers, _inside(crop))


def _inside(crop: PartCrop) -> tuple[slice, slice]:
    """Rows and columns of a crop that show the photo."""
    corners = crop.square.to_square(np.array([(0.0, 0.0), crop.size_wh])) * len(crop.pixels)
    (left, top), (right, bottom) = np.clip(np.round(corners), 0, len(crop.pixels)).astype(int).tolist()
    return slice(top, bottom), slice(left, right)


def crop_relit(sample: Sample, pixels: Pixels, matrix: NDArray[np.float64]) -> Pixels:
    """A sample's crop, or what a camera made of it, with the linear light changed where it shows the photo."""
    changed = pixels.copy()
    changed[sample.inside] = relit(pixels[sample.inside], matrix)
    return changed


def under_lamp(
    samples: Sequence[Sample], camera: LampCamera, lamp: str, balance: Balance, seed: int
) -> Iterable[Shown]:
    """Every sample as a photo under a lamp; the camera's error is the same under every lamp."""
    for i, sample in enumerate(samples):
        rng = np.random.default_rng([seed, i])
        error = rng.normal(0.0, balance.error, 3)
        change = camera.change(lamp, float(rng.uniform(*balance.adapted)), error)
        yield Shown(
            sample, crop_relit(sample, sample.pixels, change), relit(sample.photo, change), change @ sample.light
        )


def measure(samples: Sequence[Sample], camera: LampCamera, judge: Judge, seed: int) -> Outcome:
    """Judge all samples under all lamps, both balances, every correction."""
    chances: dict[tuple[str, str, str], list[Mapping[str, NDArray[np.float64]]]] = defaultdict(list)
    errors: dict[tuple[str, str, str], list[float]] = defaultdict(list)
    for (how, balance), lamp in itertools.product(BALANCES.items(), LAMPS):
        for shown in under_lamp(samples, camera, lamp, balance, seed):
            plain = _chances(judge, shown.sample, shown.pixels)
            for name, correction in CORRECTIONS.items():
                light = correction(shown)
                errors[how, name, lamp].append(reproduction_error_deg(shown.light, light))
                corrected = crop_relit(shown.sample, shown.pixels, to_daylight(light))
                chances[how, name, lamp].append(plain if light is _WHITE else _chances(judge, shown.sample, corrected))
    for how, name in itertools.product(BALANCES, CORRECTIONS):
        chances[how, name, MIXED] = [row for lamp in LAMPS for row in chances[how, name, lamp]]
    cues = [
        _figures(head, *key, list(samples) * (len(rows) // len(samples)), rows)
        for head in COLOUR_HEADS
        for key, rows in chances.items()
    ]
    lights = [LightFound(*key, *(float(v) for v in np.quantile(row, [0.5, 0.9]))) for key, row in errors.items()]
    return Outcome(tuple(figure for figure in cues if figure is not None), tuple(lights))


def _chances(judge: Judge, sample: Sample, pixels: Pixels) -> Mapping[str, NDArray[np.float64]]:
    answers = judge(sample.part, pixels) if sample.answers else np.zeros(0, np.float32)
    return {name: softmax(answers[_SLICES[name]]) for name in sample.answers}


def _figures(
    head: str,
    balance: str,
    correction: str,
    lamp: str,
    samples: Sequence[Sample],
    chances: Sequence[Mapping[str, NDArray[np.float64]]],
) -> CueUnderLamp | None:
    """None where only one kind of answer was drawn."""
    true = np.array([sample.answers[head] for sample in samples if head in sample.answers])
    if not 0 < (true > 0).sum() < len(true):
        return None
    said = np.array([row[head] for row in chances if head in row])
    told = np.maximum(said[np.arange(len(true)), true], _LEAST_CHANCE)
    return CueUnderLamp(
        CUE_OF_HEAD.get(head, head),
        balance,
        correction,
        lamp,
        len(true),
        auroc(1 - said[:, 0], true > 0),
        float((said.argmax(axis=1) != true).mean()),
        float(-np.log(told).mean()),
    )


def load_judge(models_dir: Path, threads: int) -> Judge:
    """The part network in a folder."""
    card = read_card(models_dir, "parts", PartsCard)
    networks = {side: Network(models_dir, card.network, side, threads) for side in {CROPS[p].side_px for p in PARTS}}
    return lambda part, pixels: networks[CROPS[part].side_px](pixels)["answers"]


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--crops", type=int, default=120, metavar="N", help="of each of label, tab, button and rivet")
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--models", type=Path, default=Path("models"), metavar="DIR")
    parser.add_argument("--sheet", type=Path, default=Path("configs/quillmere.yaml"))
    parser.add_argument("--threads", type=int, default=2)
    args = parser.parse_args()
    use_one_processor()
    camera = camera_under_lamps()
    samples = draw_samples(load_sheet(args.sheet), args.crops, args.seed)
    outcome = measure(samples, camera, load_judge(args.models, args.threads), args.seed)
    args.out.mkdir(parents=True, exist_ok=True)
    (args.out / "lamps.json").write_text(json.dumps(asdict(outcome), indent=1) + "\n", encoding="utf-8")
    first = [next(sample for sample in samples if sample.part is part) for part in PARTS]
    examples = {str(s.part): [crop_relit(s, s.pixels, camera.change(lamp)) for lamp in LAMPS] for s in first}
    draw_lamps(args.out / "lamps.png", tuple(LAMPS), examples, outcome.cues)
    for balance in BALANCES:
        print(as_table(outcome, balance, "beyond denim"), end="\n\n")
    print(summary(outcome))


if __name__ == "__main__":
    main()
