"""What a night shows, without labels, about the trust that its own readings deserve.

Most listings of a night are genuine. Where a sign is read on far more of them than even a night full of counterfeits
would explain, the reading is a false alarm most of the time tonight: photos of another kind than the networks know
make them sure and wrong. For each cue that is judged in photos the share of false alarms is

    f = (max(0, k - n r) + a) / (n + a + b),

with n other listings on which the cue was seen, k of them read as departing, r the share expected with `_GENEROUS`
times the usual counterfeits, and a Beta(a, b) belief from before the night: the mean of its posterior after n looks
of which max(0, k - n r) are false alarms (Gelman et al., Bayesian Data Analysis, chapter 2). Others, as a listing is no
witness against itself: the one resewn tab among three listings is not "a third of the night". f matters to departing
listings only, so n and k are the night's own, less one each.

A reading is then believed as the mixture that this makes it: with chance f it says nothing. What speaks against a pair
gets the likelihood (1 - f) L(s) + f max L in each state s, so that no state outweighs another by more than 1 / f,
listings keep their order, and a sign never becomes evidence for genuine. What speaks for a pair stays as it is.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.config import EvidenceConfig, Kind, ReferenceSheet
from pipeline.cues import CUES, Source
from pipeline.domain import ListingReadings
from pipeline.evidence.seen import pooled, readings_by_cue
from pipeline.evidence.weights import CueTable, cue_log10_lr, cue_table

Floats = NDArray[np.float64]
# Judged by a network in photos. What sellers write, and the comparison of photo files, cannot be such a false alarm.
_JUDGED = (Source.CROP, Source.STYLE, Source.MEASURE, Source.PRINT)
_DEPARTING = (Kind.WEAK_SIGN, Kind.ODDITY, Kind.SIGN, Kind.SURE_SIGN)
# A night with twice the usual counterfeits must not be taken for a night of false alarms (judgement).
_GENEROUS = 2.0
_WORTH_TELLING = 0.05  # a smaller share of false alarms changes little and is not told of
_HARDLY_CHANCE = 0.01


@dataclass(frozen=True, slots=True)
class Doubt:
    """How often one cue spoke against a pair in a night, and how often that seems to have been a false alarm."""

    seen: int  # listings on which the cue was seen
    departing: int  # of these, read as departing
    usual_share: float  # of departures, with as many counterfeits as usual
    too_many: float  # departures that even many more counterfeits would not explain
    false_alarms: float  # share of listings that are read so by mistake, strictly between 0 and 1
    is_clear: bool  # false alarms matter, and chance hardly explains so many departures, even on a bad night


Doubts = Mapping[str, Doubt]


def doubts_tonight(
    night: Iterable[ListingReadings], sheets: Mapping[str, ReferenceSheet], evidence: EvidenceConfig
) -> dict[str, Doubt]:
    """What a whole night tells of each cue that is judged in photos; a small one tells little.

    Args:
        night: all listings of one night, each with a maker that has a sheet.
        sheets: reference sheets by maker.
        evidence: shares, prior, and what is believed of false alarms before the night.

    Raises:
        ValueError: if a reading names a cue or a state that does not exist.
    """
    tables = {name: cue_table(name, evidence) for name, cue in CUES.items() if cue.source in _JUDGED}
    departs = {name: _departing(table, name, evidence) for name, table in tables.items()}
    seen, departing = Counter[str](), Counter[str]()
    for one in night:
        by_cue = readings_by_cue(one, sheets[one.listing.maker], evidence).by_cue
        for name in tables.keys() & by_cue.keys():
            likelihood = pooled(by_cue[name], tables[name].states, evidence)
            if likelihood is not None:
                seen[name] += 1
                departing[name] += bool(departs[name][int(np.argmax(likelihood))])
    return {name: _doubt(seen[name], departing[name], table, departs[name], evidence) for name, table in tables.items()}


def believed(likelihood: Floats, table: CueTable, doubt: Doubt | None) -> Floats:
    """A cue's likelihood as far as it is to be believed tonight; the rule stands at the top of this file.

    Args:
        likelihood: shape (states,), sum 1.
        table: the cue's states and weights.
        doubt: None where there is none.

    Returns:
        Shape (states,), sum 1.
    """
    if doubt is None or cue_log10_lr(likelihood, table) <= 0:
        return likelihood
    mixed = (1 - doubt.false_alarms) * likelihood + doubt.false_alarms * likelihood.max()
    return np.asarray(mixed / mixed.sum(), dtype=np.float64)


def _departing(table: CueTable, cue: str, evidence: EvidenceConfig) -> NDArray[np.bool_]:
    """Which of a cue's states speak against a pair, shape (states,)."""
    return np.array([evidence.cues[cue].states[state].kind in _DEPARTING for state in table.states])


def _doubt(seen: int, departing: int, table: CueTable, departs: NDArray[np.bool_], evidence: EvidenceConfig) -> Doubt:
    """The counts of one cue become its share of false alarms."""
    usual = _share(table, departs, evidence.prior_counterfeit)
    generous = _share(table, departs, min(_GENEROUS * evidence.prior_counterfeit, 1.0))
    weight = evidence.false_alarm_listings
    others, others_departing = max(seen - 1, 0), max(departing - 1, 0)
    too_many = max(0.0, others_departing - others * generous)
    false_alarms = (too_many + evidence.false_alarm_share * weight) / (others + weight)
    is_clear = false_alarms > _WORTH_TELLING and at_least_by_chance(departing, seen, generous) < _HARDLY_CHANCE
    return Doubt(seen, departing, usual, too_many, false_alarms, is_clear)


def _share(table: CueTable, departs: NDArray[np.bool_], counterfeit: float) -> float:
    """Share of pairs that depart where this share of them is counterfeit."""
    mixed = (1 - counterfeit) * table.genuine + counterfeit * table.counterfeit
    return float(mixed[departs].sum())


def at_least_by_chance(count: int, of: int, share: float) -> float:
    """Chance of `count` or more among `of` where each is one with chance `share`: the binomial's upper tail."""
    if count <= 0:
        return 1.0
    log_share, log_rest = math.log(share), math.log1p(-share)
    ways = (math.lgamma(of + 1) - math.lgamma(i + 1) - math.lgamma(of - i + 1) for i in range(count, of + 1))
    return math.fsum(
        math.exp(way + i * log_share + (of - i) * log_rest) for i, way in zip(range(count, of + 1), ways, strict=True)
    )
