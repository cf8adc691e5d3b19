"""Learning the weights of the evidence from labelled pairs, and the calibration of their sum."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.config import CueWeights, EvidenceConfig, StateWeight
from pipeline.cues import CUES

Floats = NDArray[np.float64]
Shares = Mapping[str, Mapping[str, tuple[float, float]]]
# A repair or a slip at the machine does nearly anything once in some hundreds of pairs (judgement, not measured).
_LEAST_SHARE = 0.002
_LN10 = float(np.log(10))


class Fitted(Protocol):
    """What was fitted together with networks: shares and the calibration of their sum."""

    @property
    def shares(self) -> Shares:
        """Cue -> state -> (share among genuine, share among counterfeit)."""

    @property
    def calibration(self) -> Sequence[tuple[float, float]]:
        """Points [raw, calibrated]."""


def as_fitted(evidence: EvidenceConfig, fitted: Fitted | None) -> EvidenceConfig:
    """The configuration with what was fitted to the networks in use; as it is where nothing was."""
    return evidence if fitted is None else with_learned(evidence, fitted.shares, fitted.calibration)


def shares_in(evidence: EvidenceConfig) -> dict[str, dict[str, tuple[float, float]]]:
    """The shares that a configuration holds, as `learn_shares` gives them."""
    return {
        name: {state: (weight.genuine, weight.counterfeit) for state, weight in cue.states.items()}
        for name, cue in evidence.cues.items()
    }


def updated_shares(
    start: Shares, rows: Iterable[tuple[bool, Mapping[str, str], float]], weight_of_start: float
) -> dict[str, dict[str, tuple[float, float]]]:
    """Shares that newly counted pairs move, as far as there are pairs: the start counts like so many of each kind.

    Args:
        start: shares so far.
        rows: for each pair whether it is counterfeit, its true states, and for how many pairs it stands.
        weight_of_start: in pairs.
    """
    counts = {cue: {state: [0.0, 0.0] for state in states} for cue, states in start.items()}
    for is_counterfeit, states, weight in rows:
        for cue, state in states.items():
            if state in counts.get(cue, {}):
                counts[cue][state][int(is_counterfeit)] += weight
    return {cue: _moved(start[cue], counts[cue], weight_of_start) for cue in start}


def _moved(
    start: Mapping[str, tuple[float, float]], counts: Mapping[str, Sequence[float]], weight: float
) -> dict[str, tuple[float, float]]:
    totals = [weight + sum(count[kind] for count in counts.values()) for kind in (0, 1)]
    if min(totals) == 0 or not any(map(any, counts.values())):
        return dict(start)
    raw = {
        state: [
            max((weight * start[state][kind] + counts[state][kind]) / totals[kind], _LEAST_SHARE) for kind in (0, 1)
        ]
        for state in start
    }
    sums = [sum(share[kind] for share in raw.values()) for kind in (0, 1)]
    return {state: (share[0] / sums[0], share[1] / sums[1]) for state, share in raw.items()}


def learn_shares(
    rows: Iterable[tuple[bool, Mapping[str, str]]], smoothing: float = 0.5
) -> dict[str, dict[str, tuple[float, float]]]:
    """Count how often genuine and counterfeit pairs show each state.

    Args:
        rows: for each pair whether it is counterfeit and its true states; the shares among genuine and
            among counterfeit pairs must be the natural ones, the mix of the two need not be.
        smoothing: added to each count, so that what was not met yet stays possible.

    Returns:
        Cue -> state -> (share among genuine, share among counterfeit), each summing to 1 over the states.
        A cue that no row tells of is left out.
    """
    counts = {name: np.zeros((2, len(cue.states))) for name, cue in CUES.items()}
    for is_counterfeit, states in rows:
        for name, state in states.items():
            if name in CUES and state in CUES[name].states:
                counts[name][int(is_counterfeit), CUES[name].states.index(state)] += 1
    return {
        name: _shares_of(CUES[name].states, count, smoothing)
        for name, count in counts.items()
        if count.sum(axis=1).all()
    }


def _shares_of(states: Sequence[str], counts: Floats, smoothing: float) -> dict[str, tuple[float, float]]:
    """Smoothed shares of one cue's states; `counts` has shape (2, states), genuine first."""
    smoothed = counts + smoothing
    shares = np.maximum(smoothed / smoothed.sum(axis=1, keepdims=True), _LEAST_SHARE)
    genuine, counterfeit = shares / shares.sum(axis=1, keepdims=True)
    return {state: (float(genuine[i]), float(counterfeit[i])) for i, state in enumerate(states)}


def fit_calibration(
    raw_log10_lr: ArrayLike,
    is_counterfeit: ArrayLike,
    segments: int = 1,
    ridge: float = 0.0,
    bound: float = 6.0,
    share: float | None = None,
) -> tuple[tuple[float, float], ...]:
    """Fit the rising line from summed evidence to calibrated evidence by maximum likelihood.

    With one segment this is logistic regression of counterfeit-or-not on the raw log ratio, the log odds
    of the fitting data taken off again, so that any mix of genuine and counterfeit may be used. With more
    segments the slope may change at the quantiles of the raw values; no slope may fall below a little.

    Args:
        raw_log10_lr: shape (n,).
        is_counterfeit: shape (n,), both kinds present; a share where a row stands for some of each.
        segments: pieces of the line, 1 or more.
        ridge: how strongly the slopes are held towards 1 (a trusted sum); 0 not at all.
        bound: the line is written from -bound to +bound.
        share: of counterfeits among what the rows were drawn from, where that is not the share among the rows: rows
            chosen by their score keep the probabilities, not the share.

    Returns:
        Points [raw, calibrated] for the configuration.

    Raises:
        ValueError: if one of the two kinds is missing.
    """
    raw = np.asarray(raw_log10_lr, dtype=np.float64)
    labels = np.asarray(is_counterfeit, dtype=np.float64)
    if not 0 < labels.mean() < 1:
        raise ValueError("calibration needs counterfeit and genuine rows; one kind is missing")
    inner = np.quantile(raw, np.linspace(0, 1, segments + 1))[1:-1]
    knots = np.unique(np.concatenate([[-bound], inner[np.abs(inner) < bound], [bound]]))
    ramps = _ramps(raw, knots)
    among = float(labels.mean()) if share is None else share
    offset = float(np.log(among / (1 - among)))
    intercept, slopes = _fit_rising_logistic(ramps * _LN10, labels, offset, ridge)
    calibrated = intercept / _LN10 + _ramps(knots, knots) @ slopes
    return tuple((float(x), float(y)) for x, y in zip(knots, calibrated, strict=True))


def _ramps(raw: Floats, knots: Floats) -> Floats:
    """How far each value has come in each segment, shape (n, segments); measured from zero evidence."""
    # The end segments run on, as calibration carries the line on beyond its ends.
    starts = np.concatenate([[-np.inf], knots[1:-1]])
    ends = np.concatenate([knots[1:-1], [np.inf]])
    travelled = np.clip(raw[:, None], starts, ends) - np.clip(0.0, starts, ends)
    return np.asarray(travelled, dtype=np.float64)


def _fit_rising_logistic(
    features: Floats, labels: Floats, offset: float, ridge: float, least_slope: float = 0.02
) -> tuple[float, Floats]:
    """Newton steps for logistic regression with slopes held at `least_slope` or above.

    A slope that would fall lower is pinned there, the others are solved again, and a pinned slope is let go
    once the likelihood would rise with it.

    Args:
        features: shape (n, k), in natural-log units.
        labels: shape (n,), 0 or 1.
        offset: log odds of the labels, not part of the line.
        ridge: weight of the squared distance of the slopes from 1.
        least_slope: keeps the line strictly rising, so that calibration never ties two listings.

    Returns:
        Intercept (natural log) and slopes of shape (k,).
    """
    design = np.column_stack([np.ones(len(features)), features])
    weights = np.concatenate([[0.0], np.ones(features.shape[1])])
    held = np.concatenate([[1e-9], np.full(features.shape[1], ridge + 1e-9)])
    target = np.concatenate([[0.0], np.ones(features.shape[1])])
    lowest = np.concatenate([[-np.inf], np.full(features.shape[1], least_slope)])
    for _ in range(200):
        logits = np.clip(design @ weights + offset, -40, 40)
        chances = 1 / (1 + np.exp(-logits))
        gradient = design.T @ (chances - labels) + held * (weights - target)
        curvature = (design * (chances * (1 - chances))[:, None]).T @ design + np.diag(held)
        free = (weights > lowest) | (gradient < 0)
        step = np.zeros_like(weights)
        step[free] = np.linalg.solve(curvature[np.ix_(free, free)], gradient[free])
        # A long step on a flat likelihood overshoots; shorten it and go on.
        step *= min(1.0, 2.0 / max(float(np.abs(step).max()), 1e-12))
        moved = np.maximum(weights - step, lowest)
        if float(np.abs(moved - weights).max()) < 1e-10:
            break
        weights = moved
    return float(weights[0]), weights[1:]


def with_learned(
    evidence: EvidenceConfig, shares: Shares, calibration: Sequence[tuple[float, float]] | None = None
) -> EvidenceConfig:
    """A new configuration with learned shares, and calibration if given; kinds, bounds and notes stay.

    Args:
        evidence: what to start from.
        shares: from `learn_shares`; cues left out keep what they have.
        calibration: from `fit_calibration`, or None to keep the present one.
    """
    cues = {name: _relearned(cue, shares.get(name, {})) for name, cue in evidence.cues.items()}
    update: dict[str, object] = {"cues": cues}
    if calibration is not None:
        update["calibration"] = tuple(calibration)
    return EvidenceConfig.model_validate({**dict(evidence), **update})


def _relearned(cue: CueWeights, shares: Mapping[str, tuple[float, float]]) -> CueWeights:
    """One cue with the given shares in place of its own."""
    states = {
        name: StateWeight(genuine=shares[name][0], counterfeit=shares[name][1], kind=state.kind)
        if name in shares
        else state
        for name, state in cue.states.items()
    }
    return CueWeights(note=cue.note, bound_log10_lr=cue.bound_log10_lr, states=states)
