"""How far a night's scores and readings are from those of the listings that the evidence was fitted on."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from pipeline.cues import CUES
from pipeline.evidence import posterior
from pipeline.fitting_night import CueCounts, FittingNight, Night
from pipeline.intervals import Share, wilson
from pipeline.two_samples import fisher_exact, kolmogorov_smirnov

# Chance alone marks a comparison on one night in a thousand, and one of the forty-odd on a night in twenty or so.
MARKED_BELOW = 0.001


class Asked(StrEnum):
    """What two nights are compared in."""

    DEPARTING = "departing"  # share of the listings that show a cue on which it is read as departing
    SEEN = "seen"  # share of listings on which a cue is seen at all


@dataclass(frozen=True, slots=True)
class Difference:
    """One cue, one question: tonight's share, the fitting listings', and the chance of so large a difference."""

    cue: str
    asked: Asked
    tonight: Share
    fitting: Share
    p: float

    @property
    def is_marked(self) -> bool:
        """Whether chance alone hardly explains it."""
        return self.p < MARKED_BELOW

    @property
    def sentence(self) -> str:
        """In a person's words, both counts in it."""
        more = "more" if (self.tonight.share or 0) > (self.fitting.share or 0) else "less"
        counts = (
            f"{self.tonight.hits} of {self.tonight.n} ({_per_cent(self.tonight)}) against {_per_cent(self.fitting)}"
        )
        return f"{self._what()} {more} often, {counts}"

    def _what(self) -> str:
        known = CUES.get(self.cue)
        topic = known.topic if known else self.cue
        if self.asked is Asked.DEPARTING and known and len(known.states) == 2:
            return f"Reads \N{LEFT DOUBLE QUOTATION MARK}{known.words[known.states[1]]}\N{RIGHT DOUBLE QUOTATION MARK}"
        does = "speaks against the pair" if self.asked is Asked.DEPARTING else "can be judged"
        return f"{topic[0].upper()}{topic[1:]} {does}"


@dataclass(frozen=True, slots=True)
class Drift:
    """One night beside the fitting listings.

    `distance` and `p` are the Kolmogorov-Smirnov test's, of the log10 ratios, so that no prior plays a part; `tonight`
    and `fitting` are the shares of listings whose chance begins with .0 to .9, at the fit's prior; `differences` come
    rarest first. `is_same_model` and `is_same_rules` say whether both were judged alike.
    """

    listings: int
    fitting_listings: int
    distance: float
    p: float
    tonight: Sequence[float]
    fitting: Sequence[float]
    differences: Sequence[Difference]
    is_same_model: bool
    is_same_rules: bool

    @property
    def is_marked(self) -> bool:
        """Whether chance alone hardly explains how the scores lie."""
        return self.p < MARKED_BELOW

    @property
    def marked(self) -> list[Difference]:
        """The differences that chance hardly explains."""
        return [one for one in self.differences if one.is_marked]


def compare_nights(tonight: Night, model: str, rules: str, fitting: FittingNight) -> Drift | None:
    """A night beside the fitting listings.

    Args:
        tonight: in counts.
        model: what its photos were judged by, as a run notes it.
        rules: what its readings were weighed by, likewise.
        fitting: what was kept of the fit.

    Returns:
        What chance explains and what it does not; None where either has no listing.
    """
    then = fitting.night
    if not tonight.listings or not then.listings:
        return None
    distance, p = kolmogorov_smirnov(tonight.log10_lrs, then.log10_lrs)
    return Drift(
        listings=tonight.listings,
        fitting_listings=then.listings,
        distance=distance,
        p=p,
        tonight=_tenths(tonight, fitting.prior_counterfeit),
        fitting=_tenths(then, fitting.prior_counterfeit),
        differences=sorted(_differences(tonight, then), key=lambda one: one.p),
        is_same_model=model == fitting.model,
        is_same_rules=rules == fitting.rules,
    )


def _differences(tonight: Night, then: Night) -> list[Difference]:
    none = CueCounts(seen=0, departing=0)
    found = []
    for cue in sorted(tonight.cues.keys() | then.cues.keys()):
        now, before = tonight.cues.get(cue, none), then.cues.get(cue, none)
        found.append(_difference(cue, Asked.SEEN, (now.seen, tonight.listings), (before.seen, then.listings)))
        if now.seen and before.seen:
            found.append(_difference(cue, Asked.DEPARTING, (now.departing, now.seen), (before.departing, before.seen)))
    return found


def _difference(cue: str, asked: Asked, tonight: tuple[int, int], fitting: tuple[int, int]) -> Difference:
    return Difference(cue, asked, wilson(*tonight), wilson(*fitting), fisher_exact(*tonight, *fitting))


def _tenths(night: Night, prior: float) -> list[float]:
    counted = Counter(min(9, int(10 * posterior(prior, ratio))) for ratio in night.log10_lrs)
    return [counted[tenth] / night.listings for tenth in range(10)]


def _per_cent(share: Share) -> str:
    value = 100 * (share.share or 0.0)
    return f"{value:.1f}%" if 0 < value < 10 else f"{value:.0f}%"
