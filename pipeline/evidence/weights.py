"""How much one cue says: from the likelihood of its states to a bounded log10 likelihood ratio.

A clearly seen state is worth log10 of P(state | counterfeit) / P(state | genuine), held within the
limits of its kind and its cue, or the moderator's own figure where an override stands.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.config import EvidenceConfig

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class CueTable:
    """One cue's states with their shares and their weights, all of one length."""

    states: tuple[str, ...]
    genuine: Floats
    counterfeit: Floats
    state_log10_lr: Floats
    notes: Mapping[str, str]

    @property
    def weighed_counterfeit(self) -> Floats:
        """The shares among counterfeits that the bounded weights stand for; they need not sum to 1."""
        return np.asarray(self.genuine * 10.0**self.state_log10_lr, dtype=np.float64)


def cue_table(cue: str, evidence: EvidenceConfig) -> CueTable:
    """Look up a cue's shares and work out the bounded weight of each state.

    Args:
        cue: a name of `pipeline.cues.CUES`.
        evidence: the configuration.
    """
    weights = evidence.cues[cue]
    states = tuple(weights.states)
    genuine = np.array([weights.states[state].genuine for state in states])
    counterfeit = np.array([weights.states[state].counterfeit for state in states])
    overrides = {item.state: item for item in evidence.overrides if item.cue == cue}
    log10_lr = [
        overrides[state].log10_lr if state in overrides else _bounded_log10_lr(cue, state, evidence) for state in states
    ]
    notes = {state: item.note for state, item in overrides.items()}
    return CueTable(states, genuine / genuine.sum(), counterfeit / counterfeit.sum(), np.array(log10_lr), notes)


def _bounded_log10_lr(cue: str, state: str, evidence: EvidenceConfig) -> float:
    """The log ratio of the two shares within the limits of the state's kind and of the cue."""
    weights = evidence.cues[cue]
    shares, bound = weights.states[state], weights.bound_log10_lr
    limits = evidence.kinds[shares.kind]
    value = math.log10(shares.counterfeit / shares.genuine)
    value = min(max(value, limits.at_least), limits.at_most)
    return min(max(value, -bound), bound)


def cue_log10_lr(likelihood: Floats, table: CueTable) -> float:
    """Log10 of the likelihood ratio, counterfeit over genuine, of a reading that may be unsure.

    With L(x|s) the likelihood of the reading under state s this is
    log10( sum_s L(x|s) P(s|counterfeit) / sum_s L(x|s) P(s|genuine) ). The part of the likelihood that
    all states share says nothing; taking it out first keeps that true where bounds or overrides make the
    weighed shares of the counterfeits sum to something else than 1. A reading sure of one state gives
    that state's weight, a flat reading gives 0, and doubt moves a reading from the one towards the other.

    Args:
        likelihood: shape (states,), non-negative, sum 1.
        table: the cue's states and weights.
    """
    shared = float(likelihood.min())
    telling = likelihood - shared
    counterfeit = shared + float(telling @ table.weighed_counterfeit)
    genuine = shared + float(telling @ table.genuine)
    return math.log10(counterfeit / genuine)


def state_probabilities(likelihood: Floats, table: CueTable, prior_counterfeit: float) -> Floats:
    """Probability of each state at the natural mix of genuine and counterfeit pairs, shape (states,)."""
    natural = (1 - prior_counterfeit) * table.genuine + prior_counterfeit * table.counterfeit
    weighed = likelihood * natural
    return np.asarray(weighed / weighed.sum(), dtype=np.float64)


def telling_state(likelihood: Floats, table: CueTable, prior_counterfeit: float) -> int:
    """Index of the state to name: the one that drives a suspicious cue, else the most probable.

    A rare state can drive the ratio while a common one stays more probable; a moderator who reads why a
    listing is on top needs the former.
    """
    if cue_log10_lr(likelihood, table) > 0:
        return int(np.argmax(likelihood * (table.weighed_counterfeit - table.genuine)))
    return int(np.argmax(state_probabilities(likelihood, table, prior_counterfeit)))
