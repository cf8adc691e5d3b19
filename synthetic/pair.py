"""One invented pair of jeans: what is true of it (every cue's state) and how it happens to look."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np

from pipeline.config import ReferenceSheet
from pipeline.cues import LISTED_CUES
from synthetic.canvas import Colour, linear
from synthetic.looks import Look

Rng = np.random.Generator

# How often a counterfeit, drawn at its natural rate, departs in each cue (relative weights, invented).
COUNTERFEIT_WEIGHTS: Mapping[str, float] = {
    "tab_position": 1.2, "tab_stitch_spacing": 1.2, "tab_thread": 1.2, "tab_resewn": 1.2, "tab_word": 1.0,
    "label_ground": 1.2, "label_size_print": 1.0, "label_size_order": 0.8, "label_motto_curve": 1.0,
    "label_fading": 0.8, "button_finish": 1.0, "button_lettering": 1.0, "metal": 1.0, "code_match": 1.2,
    "rivet_stamp": 1.2, "zip_mark": 1.0, "style_agrees": 0.6, "size_agrees": 0.6, "metal_agrees": 0.5,
    "price_band": 1.5, "photo_reuse": 0.5,
}  # fmt: skip
# What happens to honest pairs and honest sellers (invented shares; mark-only comes from the sheet).
INNOCENT_SHARES: Mapping[str, float] = {
    "label_motto_curve": 0.03, "size_agrees": 0.025, "price_band": 0.05, "style_agrees": 0.005, "metal_agrees": 0.015,
}  # fmt: skip
# Which departing states a counterfeit shows; "mark_only" is left to chance, as it is innocent.
DEPARTURES: Mapping[str, tuple[tuple[str, float], ...]] = {
    "tab_word": (("cut_short", 0.5), ("wrong", 0.5)),
    "label_ground": (("dark", 0.6), ("white", 0.4)),
    "zip_mark": (("none", 0.5), ("other", 0.5)),
}
MOTTO_CURVES = ("arch_up", "straight", "arch_down")
METALS = ("copper", "steel")
_SYLLABLES = (
    "BRA",
    "DOL",
    "FEN",
    "GAR",
    "HOL",
    "JUN",
    "KES",
    "LOW",
    "MAR",
    "NOR",
    "PEL",
    "RUD",
    "SAL",
    "TOR",
    "WEX",
    "YAR",
)
_DENIMS = ("#1c2438", "#26324d", "#33466a", "#4a6288", "#6f8cb0", "#93abc6", "#17181c", "#3c3f46", "#2b2f3f", "#55627a")


@dataclass(frozen=True, slots=True)
class Pair:
    """A physical pair. `states` holds every cue's true state; the rest is how it looks."""

    sheet: ReferenceSheet
    seed: int
    counterfeit: bool
    states: Mapping[str, str]
    style: str
    waist_in: int
    leg_in: int
    printed_style: str
    printed_waist: int
    printed_leg: int
    code: str
    tag_code: str
    metal: str
    motto_curve: str
    tab_text: str
    tab_offset_mm: float
    zip_text: str
    wear: float
    denim: Colour
    denim_pale: Colour
    weave: int
    yarn_mm: float
    thread: Colour
    lustre: float  # of the thread, 0 dull .. 1
    look: Look

    def rng(self, *what: int) -> Rng:
        """The same stream for the same thing on the same pair, whichever photo shows it."""
        return np.random.default_rng([self.seed, *what])


def other_word(rng: Rng, unlike: tuple[str, ...]) -> str:
    """An invented word that is none of those given: near misses and plainly different ones."""
    base = unlike[0]
    kind = rng.random()
    if kind < 0.35:  # a near miss: letters changed or swapped
        letters = list(base)
        for _ in range(int(rng.integers(1, 4))):
            letters[int(rng.integers(len(letters)))] = str(rng.choice(list("ABDEFGHKNOPRSTUVY")))
        word = "".join(letters)
    else:
        word = "".join(rng.choice(_SYLLABLES, int(rng.integers(2, 4))))
    return word if word not in unlike and word not in {u[:-1] for u in unlike} else word + "X"


def cues_without_place(sheet: ReferenceSheet, style: str) -> frozenset[str]:
    """Cues in which a pair of this style cannot depart: a button fly has no zip to carry a mark."""
    return frozenset({"zip_mark"} if sheet.styles[style].fly == "button" else ())


def natural_states(
    rng: Rng, sheet: ReferenceSheet, counterfeit: bool, without: frozenset[str] = frozenset()
) -> dict[str, str]:
    """True states at the natural rates: a counterfeit departs in one to six cues, none of them among `without`."""
    states = {name: cue.genuine_state for name, cue in LISTED_CUES.items()}
    if rng.random() < sheet.tab.mark_only_share:
        states["tab_word"] = "mark_only"
    if states["zip_mark"] == "own" and rng.random() < 0.4:
        states["zip_mark"] = "approved"
    for cue, share in INNOCENT_SHARES.items():
        if rng.random() < share:
            states[cue] = LISTED_CUES[cue].states[1]
    if counterfeit:
        names = [name for name in COUNTERFEIT_WEIGHTS if name not in without]
        p = np.array([COUNTERFEIT_WEIGHTS[n] for n in names])
        for cue in rng.choice(names, int(rng.integers(1, 7)), replace=False, p=p / p.sum()):
            states[str(cue)] = departing_state(rng, str(cue))
    return states


def departing_state(rng: Rng, cue: str) -> str:
    """A state that a counterfeit shows."""
    options = DEPARTURES.get(cue, ((LISTED_CUES[cue].states[1], 1.0),))
    names, weights = zip(*options, strict=True)
    return str(rng.choice(names, p=np.array(weights) / sum(weights)))


def balanced_states(rng: Rng, departure_rate: float, without: Collection[str] = ()) -> dict[str, str]:
    """True states for training: each cue departs on its own, every departing state equally often.

    Cues among `without` never depart; the others do as they would have.
    """
    states = {}
    for name, cue in LISTED_CUES.items():
        genuine = ("own", "approved") if name == "zip_mark" else (cue.genuine_state,)
        others = [s for s in cue.states if s not in genuine]
        pick = others if rng.random() < departure_rate and name not in without else list(genuine)
        states[name] = str(rng.choice(pick))
    return states


def states_departing_in(rng: Rng, cue: str | None) -> dict[str, str]:
    """True states of a pair that departs in one cue alone, or in none; a genuine zip carries either approved name."""
    states = {name: listed.genuine_state for name, listed in LISTED_CUES.items()}
    states["zip_mark"] = str(rng.choice(["own", "approved"]))
    return states if cue is None else states | {cue: departing_state(rng, cue)}


def make_pair(
    rng: Rng, sheet: ReferenceSheet, states: Mapping[str, str], counterfeit: bool, look: Look, style: str | None = None
) -> Pair:
    """Dress a set of true states in a physical pair, of a style given or drawn."""
    style = style or str(rng.choice(list(sheet.styles)))
    spec = sheet.styles[style]
    if spec.fly == "button":
        states = {**states, "zip_mark": "own"}  # no zip to see
    waist, leg = int(rng.integers(26, 41)), int(rng.choice([28, 30, 32, 34, 36]))
    code = f"{int(rng.integers(0, 10000)):04d}"
    tag_code = code if states["code_match"] == "match" else _other_code(rng, code)
    metal = spec.rivet_metal if states["metal"] == "as_style" else _other(rng, METALS, spec.rivet_metal)
    curve = spec.label_motto_curve
    if states["label_motto_curve"] == "other":
        curve = _other(rng, MOTTO_CURVES, curve)
    printed_waist, printed_leg = _printed_size(rng, states["size_agrees"], waist, leg)
    printed_style = style if states["style_agrees"] == "yes" else _other(rng, tuple(sheet.styles), style)
    tab_text, zip_text = _tab_text(rng, sheet, states["tab_word"]), _zip_text(rng, sheet, states["zip_mark"])
    offset = _tab_offset(rng, sheet, states["tab_position"])
    wear = float(rng.beta(1.3, 1.8))
    denim, pale = _denim_colours(rng)
    thread = tuple(
        float(np.clip(c * rng.uniform(0.8, 1.2) * (1 + 0.25 * wear * rng.random()), 0, 0.9))
        for c in linear(sheet.pocket.thread.hex)
    )
    return Pair(
        sheet=sheet, seed=int(rng.integers(2**31)), counterfeit=counterfeit, states=dict(states), style=style,
        waist_in=waist, leg_in=leg, printed_style=printed_style, printed_waist=printed_waist, printed_leg=printed_leg,
        code=code, tag_code=tag_code, metal=metal, motto_curve=curve, tab_text=tab_text, tab_offset_mm=offset,
        zip_text=zip_text, wear=wear, denim=denim, denim_pale=pale, weave=int(rng.choice(look.weaves)),
        yarn_mm=float(rng.uniform(0.4, 0.85)), thread=thread, lustre=float(max(0.0, rng.uniform(-0.5, 0.7))), look=look,
    )  # fmt: skip


def _printed_size(rng: Rng, agrees: str, waist: int, leg: int) -> tuple[int, int]:
    """What the label says: the pair's own size, or another waist or leg."""
    if agrees == "yes":
        return waist, leg
    if rng.random() < 0.6:
        return waist + int(rng.choice([-3, -2, -1, 1, 2, 3])), leg
    return waist, leg + int(rng.choice([-4, -2, 2, 4]))


def _tab_text(rng: Rng, sheet: ReferenceSheet, state: str) -> str:
    word = sheet.tab.word
    if state == "wrong":
        return other_word(rng, (word,))
    return {"full": word, "mark_only": "", "cut_short": word[:-1]}[state]


def _zip_text(rng: Rng, sheet: ReferenceSheet, state: str) -> str:
    approved = sheet.zip.marks
    if state == "other":
        return other_word(rng, (str(rng.choice(approved)), *approved))
    return {"own": approved[0], "approved": approved[-1], "none": ""}[state]


def _tab_offset(rng: Rng, sheet: ReferenceSheet, state: str) -> float:
    """How far the tab sits below its usual height, mm: well within the tolerance, or well outside."""
    tolerance = sheet.tab.tolerance
    if state == "in_place":
        return float(np.clip(rng.normal(0, 0.8), -0.75 * tolerance, 0.75 * tolerance))
    return float(rng.choice([-1, 1]) * rng.uniform(1.5 * tolerance, 6 * tolerance))


def _denim_colours(rng: Rng) -> tuple[Colour, Colour]:
    """The dyed yarn and the pale one, as worn."""
    denim = tuple(float(np.clip(c * rng.uniform(0.75, 1.3), 0.004, 0.6)) for c in linear(str(rng.choice(_DENIMS))))
    undyed = [float(np.clip(0.25 + 0.45 * rng.random() + 0.3 * c, c, 0.8)) for c in denim]
    weight = float(rng.uniform(0.15, 0.75))
    return denim, tuple(d + weight * (p - d) for d, p in zip(denim, undyed, strict=True))


def _other(rng: Rng, options: tuple[str, ...], unlike: str) -> str:
    return str(rng.choice([o for o in options if o != unlike]))


def _other_code(rng: Rng, code: str) -> str:
    digits = list(code)
    for i in rng.choice(len(digits), int(rng.integers(1, 5)), replace=False):
        digits[int(i)] = str((int(digits[int(i)]) + int(rng.integers(1, 10))) % 10)
    return "".join(digits)
