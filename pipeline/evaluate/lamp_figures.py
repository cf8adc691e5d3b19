"""How cues fare under lamps, as figures and tables."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.evaluate.lamp_camera import DAYLIGHT, LAMPS

MIXED = "mixed"  # all lamps together, as a queue meets them
ARTIFICIAL = ("A", "F2", "F11")


@dataclass(frozen=True, slots=True)
class CueUnderLamp:
    """How one cue fares under one lamp. `log_loss` in nats; both it and `wrong` take the answers as equally likely."""

    cue: str
    balance: str
    correction: str
    lamp: str
    crops: int
    auroc: float
    wrong: float
    log_loss: float


@dataclass(frozen=True, slots=True)
class LightFound:
    """How far the light that was found is from the true one: reproduction error (Finlayson and Zakizadeh 2014)."""

    balance: str
    correction: str
    lamp: str
    median_deg: float
    p90_deg: float


@dataclass(frozen=True, slots=True)
class Outcome:
    """All figures of a run."""

    cues: tuple[CueUnderLamp, ...]
    lights: tuple[LightFound, ...]


def reproduction_error_deg(true: NDArray[np.float64], found: NDArray[np.float64]) -> float:
    """The angle between grey and what a correction makes of a white thing, degrees."""
    left = true / found
    return float(np.degrees(np.arccos(np.clip(left.sum() / np.sqrt(3) / np.linalg.norm(left), -1, 1))))


def as_table(outcome: Outcome, balance: str, correction: str) -> str:
    """AUROC of each cue by lamp, before and after a correction, as a Markdown table."""
    by_key = {(f.cue, f.correction, f.lamp): f for f in outcome.cues if f.balance == balance}
    columns = [*LAMPS, MIXED]
    rows = [
        f"Camera {balance}; AUROC before -> after {correction}",
        "| cue (crops) | " + " | ".join(columns) + " |",
        "| --- " * (len(columns) + 1) + "|",
    ]
    for cue in dict.fromkeys(f.cue for f in outcome.cues):
        pairs = [(by_key[cue, "none", lamp], by_key[cue, correction, lamp]) for lamp in columns]
        cells = [f"{before.auroc:.4f} -> {after.auroc:.4f}" for before, after in pairs]
        rows.append(f"| {cue} ({pairs[0][0].crops}) | " + " | ".join(cells) + " |")
    return "\n".join(rows)


def summary(outcome: Outcome) -> str:
    """What each correction does to the mean cue, artificial light and daylight apart, as a Markdown table."""
    rows = [
        "| camera | correction | artificial (A, F2, F11): AUROC, wrong, log loss | D65: AUROC, wrong, log loss |",
        "| --- | --- | --- | --- |",
    ]
    balances, corrections = (dict.fromkeys(getattr(f, k) for f in outcome.cues) for k in ("balance", "correction"))
    for balance, correction in itertools.product(balances, corrections):
        cells = [
            f"{mean_of(outcome, balance, correction, lamps, 'auroc'):.4f}, "
            f"{100 * mean_of(outcome, balance, correction, lamps, 'wrong'):.1f}%, "
            f"{mean_of(outcome, balance, correction, lamps, 'log_loss'):.3f}"
            for lamps in (ARTIFICIAL, (DAYLIGHT,))
        ]
        rows.append(f"| {balance} | {correction} | {cells[0]} | {cells[1]} |")
    return "\n".join(rows)


def mean_of(outcome: Outcome, balance: str, correction: str, lamps: Sequence[str], figure: str) -> float:
    """The plain mean of a figure over cues and lamps."""
    chosen = [f for f in outcome.cues if (f.balance, f.correction) == (balance, correction) and f.lamp in lamps]
    return float(np.mean([getattr(f, figure) for f in chosen]))
