"""Judges found parts on their crops: cues, print, a sharper box, and a pocket's points."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.classify.crops import CROPS, Square, cut_out, square_for
from pipeline.classify.digit_reader import DigitReader, load_digit_reader
from pipeline.classify.genuine_memory import FEATURES, GenuineMemory, load_memory
from pipeline.classify.heads import HEADS, POCKET_POINTS, fields_of, head_slices
from pipeline.classify.unlike_genuine import unlike_genuine
from pipeline.domain import Box, CueReading, FoundPart, PartName, PartReading, Photo, TextReading
from pipeline.model_files import Network, PartsCard, read_card

Floats = NDArray[np.float32]
Answers = Mapping[str, Floats]
Keypoint = tuple[float, float, float]  # x, y, standard deviation, all in px of the photo
_AGREES = 0.5  # overlap of the two boxes from which they show the same thing
_UNLISTED = 0.1  # a label with a style outside the sheet is ten times rarer than its digits alone would have it
_CUT_OFF = 0.02  # of the square's side: so near the photo's edge a corner is seldom the pocket's own
# How print is looked at again: quarter turns, then steps across and down in sides of the square. Digits that stand on
# their heads are the hardest, and a digit that falls badly on the network's grid once seldom does so again. On 600
# codes of a fitting set one look read 0.940 exactly, three more aside 0.957, three more turned 0.960, all six 0.968.
_LOOKS_AGAIN = (
    (2, 0.0, 0.0), (1, 0.0, 0.0), (3, 0.0, 0.0), (0, -0.03, -0.02), (0, 0.03, 0.02), (0, -0.02, 0.03),
)  # fmt: skip
_HIDDEN = (PartName.BUTTON, "metal_name")  # a coat hides the metal; the button shows clearly all the same
_FEWEST_CORNERS = 4  # of a pocket's points: fewer, and too little of it shows to say what it looks like
_SURE = 0.95  # print read so surely is not looked at again
_PLACES, _UPRIGHT = "digit_places", "upright"
_FIELDS = {part: fields_of(part) for part in PartName}
_SLICES = head_slices()


@dataclass(frozen=True, slots=True)
class ReadPart:
    """A part with what was read from it; `points` are a pocket's, by name, as far as they show."""

    reading: PartReading
    points: Mapping[str, Keypoint]


class PartReader:
    """The part network with its card, ready to run."""

    def __init__(
        self,
        card: PartsCard,
        networks: Mapping[PartName, Network],
        genuine: GenuineMemory | None = None,
        digits: DigitReader | None = None,
    ) -> None:
        """`networks` by the part that they look at; without `genuine` no part is compared with the genuine ones.

        Without `digits` the part network alone reads print.
        """
        self.card, self._networks, self._genuine, self._digits = card, networks, genuine, digits

    def read(self, photo: Photo, found: FoundPart, styles: Sequence[str] = ()) -> ReadPart:
        """Judge one part.

        Args:
            photo: where it was found.
            found: the part.
            styles: the maker's style numbers; a printed style is read as one of them.
        """
        square = square_for(found.part, found.box).snapped()
        out = self._look(photo, found.part, square)
        weight = self.card.box_weight[found.part]
        better = replace(found, box=refined_box(found.box, out["box"], square, photo.size_wh, weight))
        looks = self._looks_at_print(photo, found.part, square, out)
        cues = (*self._cues(better, out), *self._likeness(better, out, square, photo.size_wh))
        reading = PartReading(better, cues, self._texts(better, looks, styles))
        return ReadPart(reading, self._points(out, square, photo.size_wh) if found.part is PartName.POCKET else {})

    def _look(self, photo: Photo, part: PartName, square: Square, quarter_turns: int = 0) -> Answers:
        """The part network's answers; with them, under `upright`, the digit reader's logits where there is print."""
        crop = np.ascontiguousarray(np.rot90(cut_out(photo.pixels, square, CROPS[part].side_px), quarter_turns))
        out = self._networks[part](crop)
        if self._digits is None or not _FIELDS[part] or _PLACES not in out:
            return out
        return {**out, _UPRIGHT: self._digits.read(crop, part, out[_PLACES])}

    def _cues(self, found: FoundPart, out: Answers) -> tuple[CueReading, ...]:
        """A reading for each cue that shows well enough."""
        readings = []
        for number, head in enumerate(HEADS):
            if found.part not in head.parts or _sigmoid(out["seen"][number]) < self.card.least_seen[head.name]:
                continue
            prior = np.array([self.card.training_prior[head.name][answer] for answer in head.answers])
            likelihood = likelihoods(out["answers"][_SLICES[head.name]], self.card.temperature[head.name], prior)
            # Heads that name what they see (metal, motto) keep their own name until the style is known.
            readings.append(
                CueReading(
                    head.name,
                    dict(zip(head.answers, likelihood.tolist(), strict=True)),
                    photo=found.photo,
                    part=found.part,
                    box=found.box,
                )
            )
        return tuple(readings)

    def _likeness(
        self, found: FoundPart, out: Answers, square: Square, photo_wh: tuple[int, int]
    ) -> tuple[CueReading, ...]:
        """How unlike the genuine parts this one is, if it shows clearly and there is a memory of them."""
        if self._genuine is None or FEATURES not in out or not shows_clearly(found.part, out, self.card):
            return ()
        reading = unlike_genuine(self._genuine, found, out[FEATURES], square, photo_wh)
        return () if reading is None else (reading,)

    def _looks_at_print(self, photo: Photo, part: PartName, square: Square, first: Answers) -> list[Answers]:
        """The first look at a part and more, turned or aside, until its print is read or there are no more."""
        looks = [first]
        for quarter_turns, across, down in _LOOKS_AGAIN if _FIELDS[part] else ():
            if self._is_read(looks, part):
                break
            beside = replace(square, x=square.x + across * square.side, y=square.y + down * square.side).snapped()
            looks.append(self._look(photo, part, beside, quarter_turns))
        return looks

    def _is_read(self, looks: Sequence[Answers], part: PartName) -> bool:
        """Whether all print of a part that shows is read surely.

        On 428 parts with print of three drawn folders 419 looks after the first read as much exactly (526 of 540
        fields) as 557 did that went on until all print was 0.98 sure, though some did not show.
        """
        chances, seen = self._chances(looks, part), _seen_in(looks)
        return all(
            chances[place].max(axis=1).prod() >= _SURE
            for place in _FIELDS[part].values()
            if seen[place].mean() >= self.card.least_print_seen
        )

    def _chances(self, looks: Sequence[Answers], part: PartName) -> NDArray[np.float64]:
        """Probabilities of the digits, shape (slots, 10), from the looks' averaged logits."""
        by_parts: Floats = np.mean([out["digits"] for out in looks], axis=0)
        if self._digits is None or _UPRIGHT not in looks[0]:
            return softmax(by_parts / self.card.digit_temperature[part])
        by_digits: Floats = np.mean([out[_UPRIGHT] for out in looks], axis=0)
        return softmax(self._digits.weighed(part, by_parts, by_digits))

    def _texts(self, found: FoundPart, looks: Sequence[Answers], styles: Sequence[str]) -> tuple[TextReading, ...]:
        """The printed fields of a part that show; the confidence is that of every digit being right.

        Args:
            found: the part.
            looks: the network's answers to one or more crops of it; their logits are averaged.
            styles: the maker's style numbers.
        """
        fields = _FIELDS[found.part]
        if not fields:
            return ()
        readings = []
        seen, chances = _seen_in(looks), self._chances(looks, found.part)
        for field, place in fields.items():
            legible = float(seen[place].mean())
            if legible < self.card.least_print_seen:
                continue
            digits = chances[place]
            text, sureness = likeliest_style(digits, styles) if field == "style" else likeliest_digits(digits)
            if text:
                readings.append(TextReading(field, text, sureness * legible, found.photo, found.part, found.box))
        return tuple(readings)

    def _points(self, out: Answers, square: Square, photo_wh: tuple[int, int]) -> dict[str, Keypoint]:
        """A pocket's points in photo px with their spread; a point at the photo's edge is where the photo cuts it off.

        The network states the scale b of a Laplace spread, whose standard deviation is b times the root of 2.
        """
        places = square.to_photo(out["points"][:, :2].astype(np.float64))
        scales = np.array([self.card.point_sigma_scale[name] for name in POCKET_POINTS])
        sigmas = np.exp(out["points"][:, 2]) * np.sqrt(2) * scales * square.side
        margin = _CUT_OFF * square.side
        inside = ((places > margin) & (places < np.array(photo_wh) - margin)).all(axis=1)
        seen = inside & (_sigmoid(out["point_seen"]) >= self.card.least_point_seen)
        return {
            name: (float(x), float(y), float(sigma))
            for name, (x, y), sigma, is_seen in zip(POCKET_POINTS, places, sigmas, seen, strict=True)
            if is_seen
        }


def _seen_in(looks: Sequence[Answers]) -> NDArray[np.float64]:
    """How likely a person could read each digit, shape (slots,)."""
    return np.asarray(np.mean([_sigmoid(out["digit_seen"]) for out in looks], axis=0), np.float64)


def likeliest_digits(chances: NDArray[np.float64]) -> tuple[str, float]:
    """The likeliest digits and the probability that all are right; `chances` has shape (digits, 10)."""
    return "".join(str(digit) for digit in chances.argmax(axis=1)), float(chances.max(axis=1).prod())


def likeliest_style(chances: NDArray[np.float64], styles: Sequence[str]) -> tuple[str, float]:
    """The style number whose digits fit best, and how sure that is; "" where none has as many digits.

    Args:
        chances: shape (digits, 10).
        styles: the maker's style numbers, such as QM-28.
    """
    digits = {style: [int(char) for char in style if char.isdecimal()] for style in styles}
    fits = {
        style: float(np.prod([chances[place, digit] for place, digit in enumerate(numbers)]))
        for style, numbers in digits.items()
        if len(numbers) == len(chances)
    }
    if not fits:
        return "", 0.0
    best = max(sorted(fits), key=lambda style: fits[style])
    known = sum(fits.values())
    return best, fits[best] / (known + _UNLISTED * max(0.0, 1 - known))


def likelihoods(logits: Floats, temperature: float, prior: NDArray[np.float64]) -> NDArray[np.float64]:
    """How well each answer explains the crop: the network's belief with the share it was trained at taken out.

    Args:
        logits: shape (answers,).
        temperature: above 1 softens.
        prior: shape (answers,), shares in training.

    Returns:
        Shape (answers,), sum 1.
    """
    weighed = softmax(logits / temperature) / prior
    return np.asarray(weighed / weighed.sum(), np.float64)


def softmax(logits: Floats) -> NDArray[np.float64]:
    """Over the last axis."""
    shifted = np.exp(np.asarray(logits, np.float64) - np.max(logits, axis=-1, keepdims=True))
    return np.asarray(shifted / shifted.sum(axis=-1, keepdims=True), np.float64)


def _sigmoid(logits: Floats) -> NDArray[np.float64]:
    return np.asarray(1 / (1 + np.exp(-np.asarray(logits, np.float64))), np.float64)


def refined_box(detected: Box, cxcywh: Floats, square: Square, photo_wh: tuple[int, int], weight: float) -> Box:
    """The detector's box and the part network's blended, where the two agree on what they show.

    Args:
        detected: the detector's, photo px.
        cxcywh: the network's, shape (4,), 0..1 of the square.
        square: where the crop was cut.
        photo_wh: the photo's size; the network's box is kept inside.
        weight: of the network's box, 0..1.
    """
    middle, size = cxcywh[:2].astype(np.float64), cxcywh[2:].astype(np.float64)
    corners = square.to_photo(np.stack([middle - size / 2, middle + size / 2]))
    (x0, y0), (x1, y1) = np.clip(corners, 0, np.array(photo_wh))
    if min(x1 - x0, y1 - y0) <= 1:
        return detected
    if Box(float(x0), float(y0), float(x1 - x0), float(y1 - y0)).iou(detected) <= _AGREES:
        return detected
    left, top, right, bottom = (1 - weight) * np.array(detected.xyxy) + weight * np.array([x0, y0, x1, y1])
    return Box(float(left), float(top), float(right - left), float(bottom - top))


def load_part_reader(models_dir: Path, threads: int = 1) -> PartReader:
    """Read the part network from its folder.

    Args:
        models_dir: holds `parts.yaml` and the files that it names.
        threads: of the processor, for one crop.

    Raises:
        ConfigError: if a file is missing or is not the one that the card speaks of.
    """
    card = read_card(models_dir, "parts", PartsCard)
    memory = load_memory(models_dir, card)
    genuine = memory if isinstance(memory, GenuineMemory) else None
    digits = load_digit_reader(models_dir, threads)
    networks: dict[PartName, Network] = {}
    for (side_px, _), parts in _looked_at_alike().items():
        asked = frozenset[str]().union(*(answers_used(part, genuine is not None) for part in parts))
        networks |= dict.fromkeys(parts, Network(models_dir, card.network, side_px, threads, asked))
    return PartReader(card, networks, genuine, digits)


def _looked_at_alike() -> dict[tuple[int, bool], list[PartName]]:
    """Parts by the size of their crops and by whether there is print on them: each kind has a network of its own.

    What reads print, at the finest features, takes a sixth of the time where there is none. More kinds would spare a
    little more, and cost as much, as each network's weights push the others' out of the processor's cache.
    """
    kinds: dict[tuple[int, bool], list[PartName]] = {}
    for part in PartName:
        kinds.setdefault((CROPS[part].side_px, bool(_FIELDS[part])), []).append(part)
    return kinds


def answers_used(part: PartName, is_compared: bool) -> frozenset[str]:
    """Which of the part network's answers to a part's crop are used: a tab has no print, a button no corners.

    Args:
        part: which part.
        is_compared: whether it is compared with the genuine ones.
    """
    used = {"box"}
    used |= {FEATURES} if is_compared else set()
    used |= {"answers", "seen"} if any(part in head.parts for head in HEADS) else set()
    used |= {"digits", "digit_seen", _PLACES} if _FIELDS[part] else set()
    used |= {"points", "point_seen"} if part is PartName.POCKET else set()
    return frozenset(used)


def shows_clearly(part: PartName, out: Answers, card: PartsCard) -> bool:
    """Whether everything that is judged on such a part could be judged on this crop: it is sharp, large and whole.

    Args:
        part: which part.
        out: the network's answers to its crop.
        card: the least that counts as seen.
    """
    heads = [(number, head) for number, head in enumerate(HEADS) if part in head.parts and (part, head.name) != _HIDDEN]
    if heads:
        return all(_sigmoid(out["seen"][number]) >= card.least_seen[head.name] for number, head in heads)
    if part is PartName.POCKET:
        return bool((_sigmoid(out["point_seen"]) >= card.least_point_seen).sum() >= _FEWEST_CORNERS)
    return any(_sigmoid(out["digit_seen"][place]).mean() >= card.least_print_seen for place in _FIELDS[part].values())
