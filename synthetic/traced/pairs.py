"""What is true of an invented pair: its cues, its print, its cloth. No pictures here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from pipeline.config import ReferenceSheet
from pipeline.cues import LISTED_CUES

Rng = np.random.Generator
Colour = tuple[float, float, float]

CURVES = ("arch_up", "straight", "arch_down")
METALS = ("copper", "steel")
# Warp dye, linear RGB: raw, dark, mid, stone-washed, bleached indigo; black, faded black, grey.
_DYES: tuple[Colour, ...] = (
    (0.008, 0.012, 0.030), (0.014, 0.024, 0.062), (0.034, 0.060, 0.135), (0.085, 0.140, 0.250),
    (0.230, 0.310, 0.430), (0.009, 0.009, 0.011), (0.040, 0.041, 0.046), (0.110, 0.115, 0.125),
)  # fmt: skip
# Departures that come with an honest pair or an honest mistake (invented shares).
_INNOCENT: Mapping[str, float] = {
    "price_band": 0.06, "size_agrees": 0.04, "label_motto_curve": 0.03, "metal_agrees": 0.02,
}  # fmt: skip
# Counterfeits depart together in places: whoever sews the tab anew gets several things wrong there.
_HABITS: tuple[tuple[str, ...], ...] = (
    ("tab_position", "tab_stitch_spacing", "tab_thread", "tab_resewn", "tab_word"),
    ("label_ground", "label_size_print", "label_size_order", "label_motto_curve", "label_fading"),
    ("button_finish", "button_lettering", "metal", "rivet_stamp", "zip_mark", "code_match"),
    ("style_agrees", "size_agrees", "metal_agrees", "price_band", "photo_reuse"),
)
_NO_NAMES = ("TREVUSK", "MARLODD", "KESTOWEN", "OAKUMBLE", "DUNMERRO", "SELBRAYNE", "FARROSK", "TYNNEK")  # all invented


@dataclass(frozen=True, slots=True)
class TracedPair:
    """One invented pair. `states` maps every cue to its true state; offsets are mm below the sheet's place."""

    sheet: ReferenceSheet
    seed: int
    counterfeit: bool
    states: Mapping[str, str]
    style: str
    waist_in: int
    leg_in: int
    printed_style: str
    printed_waist_in: int
    printed_leg_in: int
    code: str
    tag_code: str
    metal: str
    motto_curve: str
    tab_word: str
    tab_offset_mm: float
    zip_word: str
    wear: float
    dye: Colour
    weft: Colour

    def rng(self, topic: str) -> Rng:
        """A stream of its own for each topic, the same in every photo of the pair."""
        return np.random.default_rng([self.seed, *topic.encode()])

    @property
    def tab_top_mm(self) -> float:
        """How far the tab's top lies below the pocket's top, along the seam."""
        return self.sheet.tab.top_below_pocket_top + self.tab_offset_mm


def draw_states(rng: Rng, sheet: ReferenceSheet, style: str, counterfeit: bool, may_reuse: bool) -> dict[str, str]:
    """True states of a pair; a counterfeit departs in one to six cues that its style has a place for."""
    states = {name: cue.genuine_state for name, cue in LISTED_CUES.items()}
    if sheet.styles[style].fly == "zip" and rng.random() < 0.45:
        states["zip_mark"] = "approved"
    if rng.random() < max(sheet.tab.mark_only_share, 0.02):  # a small set should still hold one
        states["tab_word"] = "mark_only"
    for cue, share in _INNOCENT.items():
        if rng.random() < share:
            states[cue] = LISTED_CUES[cue].states[1]
    if counterfeit:
        for cue in _departing_cues(rng, _barred(sheet, style, may_reuse)):
            states[cue] = _departing_state(rng, cue)
    return states


def scattered_states(rng: Rng, sheet: ReferenceSheet, style: str, share: float, may_reuse: bool) -> dict[str, str]:
    """True states where every cue departs on its own with chance `share`: enough of each state to measure every cue."""
    states = draw_states(rng, sheet, style, counterfeit=False, may_reuse=may_reuse)
    barred = _barred(sheet, style, may_reuse)
    for cue in LISTED_CUES:
        if cue not in barred and rng.random() < share:
            states[cue] = "mark_only" if cue == "tab_word" and rng.random() < 1 / 3 else _departing_state(rng, cue)
    return states


def _barred(sheet: ReferenceSheet, style: str, may_reuse: bool) -> set[str]:
    """Cues that a pair has no place for."""
    return {
        cue
        for cue, has_place in (("zip_mark", sheet.styles[style].fly == "zip"), ("photo_reuse", may_reuse))
        if not has_place
    }


def _departing_cues(rng: Rng, barred: set[str]) -> list[str]:
    """One to six cues, half of the time bunched in one corner of the garment."""
    wanted = int(rng.integers(1, 7))
    pool = [cue for habit in _HABITS for cue in habit if cue not in barred]
    home = [cue for cue in _HABITS[int(rng.integers(len(_HABITS)))] if cue not in barred]
    first = list(rng.permutation(home)) if rng.random() < 0.5 else []
    order = dict.fromkeys([*first[: max(1, wanted - 1)], *rng.permutation(pool)])
    return [str(cue) for cue in list(order)[:wanted]]


def _departing_state(rng: Rng, cue: str) -> str:
    options = {"tab_word": ("cut_short", "wrong"), "label_ground": ("dark", "white"), "zip_mark": ("none", "other")}
    return str(rng.choice(options.get(cue, LISTED_CUES[cue].states[1:2])))


def draw_pair(
    rng: Rng, sheet: ReferenceSheet, counterfeit: bool, may_reuse: bool, departure_rate: float | None = None
) -> TracedPair:
    """A whole pair at random; with a `departure_rate` its cues depart whether or not it is counterfeit."""
    style = str(rng.choice(sorted(sheet.styles)))
    if departure_rate is None:
        states = draw_states(rng, sheet, style, counterfeit, may_reuse)
    else:
        states = scattered_states(rng, sheet, style, departure_rate, may_reuse)
    return dress(rng, sheet, style, states, counterfeit)


def dress(rng: Rng, sheet: ReferenceSheet, style: str, states: Mapping[str, str], counterfeit: bool) -> TracedPair:
    """Turn true states into print, places and cloth.

    Args:
        rng: chance.
        sheet: the maker's sheet.
        style: a style number of the sheet.
        states: cue -> state, every cue of the table.
        counterfeit: what to record; the states decide how the pair looks.
    """
    spec = sheet.styles[style]
    waist, leg = int(rng.integers(27, 40)), int(rng.choice([28, 30, 32, 34, 36]))
    size_off = (int(rng.choice([-2, -1, 1, 2])), 0) if rng.random() < 0.5 else (0, int(rng.choice([-2, 2])))
    if states["size_agrees"] == "yes":
        size_off = (0, 0)
    code = "".join(str(d) for d in rng.integers(0, 10, sheet.button.back_code_digits))
    spread = sheet.tab.tolerance
    in_place = states["tab_position"] == "in_place"
    offset = rng.uniform(-0.6, 0.6) * spread if in_place else rng.choice([-1, 1]) * rng.uniform(1.7, 5.0) * spread
    dye = np.array(_DYES[int(rng.integers(len(_DYES)))]) * rng.uniform(0.8, 1.25)
    weft = np.array((0.62, 0.58, 0.50)) * rng.uniform(0.7, 1.1) if dye.max() > 0.02 else np.array((0.42, 0.40, 0.36))
    return TracedPair(
        sheet=sheet, seed=int(rng.integers(2**31)), counterfeit=counterfeit, states=dict(states), style=style,
        waist_in=waist, leg_in=leg,
        printed_style=style if states["style_agrees"] == "yes" else _but(rng, sorted(sheet.styles), style),
        printed_waist_in=waist + size_off[0], printed_leg_in=leg + size_off[1],
        code=code, tag_code=code if states["code_match"] == "match" else _near_code(rng, code),
        metal=spec.rivet_metal if states["metal"] == "as_style" else _but(rng, METALS, spec.rivet_metal),
        motto_curve=(
            spec.label_motto_curve if states["label_motto_curve"] == "as_style"
            else _but(rng, CURVES, spec.label_motto_curve)
        ),
        tab_word=_tab_word(rng, sheet, states["tab_word"]), tab_offset_mm=float(offset),
        zip_word=_zip_word(rng, sheet, states["zip_mark"]), wear=float(rng.uniform(0.02, 0.95)),
        dye=_colour(dye), weft=_colour(weft),
    )  # fmt: skip


def _tab_word(rng: Rng, sheet: ReferenceSheet, state: str) -> str:
    word = sheet.tab.word
    wrong = _misspelt(rng, word) if rng.random() < 0.6 else str(rng.choice(_NO_NAMES))
    return {"full": word, "cut_short": word[:-1], "mark_only": "", "wrong": wrong}[state]


def _zip_word(rng: Rng, sheet: ReferenceSheet, state: str) -> str:
    marks = sheet.zip.marks
    other = _misspelt(rng, marks[-1]) if rng.random() < 0.4 else str(rng.choice(_NO_NAMES))
    return {"own": marks[0], "approved": marks[-1], "none": "", "other": other}[state]


def _misspelt(rng: Rng, word: str) -> str:
    """The word with one letter inside it replaced and two neighbours swapped; never the word itself."""
    letters = list(word)
    at = int(rng.integers(1, len(word) - 1))
    letters[at] = str(rng.choice([c for c in "ABDEHKNOSTV" if c != letters[at]]))
    swap = int(rng.integers(1, len(word) - 2))
    letters[swap], letters[swap + 1] = letters[swap + 1], letters[swap]
    return "".join(letters) if "".join(letters) != word else word + "S"


def _near_code(rng: Rng, code: str) -> str:
    """Another code: a digit or more replaced."""
    digits = list(code)
    for at in rng.permutation(len(code))[: int(rng.integers(1, len(code) + 1))]:
        digits[at] = str(rng.choice([d for d in "0123456789" if d != digits[at]]))
    return "".join(digits)


def _but(rng: Rng, options: tuple[str, ...] | list[str], not_this: str) -> str:
    return str(rng.choice([option for option in options if option != not_this]))


def _colour(values: np.ndarray) -> Colour:
    return float(values[0]), float(values[1]), float(values[2])
