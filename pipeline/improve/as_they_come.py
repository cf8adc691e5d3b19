"""Whether labelled pairs depart as pairs do that come in, or far more often: evidence is fitted to the first alone.

What a sign says is how much oftener counterfeit pairs show it than genuine ones. In a folder that was drawn or gathered
to train on, genuine pairs show it, too, in half of the cases or so: fitted to these the ratio of the two shares comes
out near 1, and real signs, which hardly any genuine pair shows, would count for next to nothing. (A head does not mind
such a folder: it learns what a state looks like, not how often it comes.)

A state comes far too often where the lower end of Wilson's interval (1927; recommended by Newcombe 1998) for its share
among a folder's genuine pairs lies above both three times what is stated for it and one in twenty. Three times takes
half a power of ten off the ratio; one in twenty is what is stated for the commonest thing that happens to honest pairs.
Rarer than that, a share may have been stated wrongly, and is what fitting corrects. The ends hold for all states of a
folder together at 95% (Bonferroni).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import NormalDist

from pipeline.config import EvidenceConfig, ReferenceSheet
from pipeline.cues import CUES
from pipeline.evaluate.labelled import PairTruth
from pipeline.improve.dataset import Dataset
from pipeline.intervals import wilson_interval

_TIMES = 3.0
_OFTEN = 0.05
_FAMILY = 0.05

Stated = Mapping[tuple[str, str], float]


@dataclass(frozen=True, slots=True)
class TooOften:
    """A state that genuine pairs show in far too large a share: what was counted, its lower end, what is stated."""

    cue: str
    state: str
    share: float
    low: float
    stated: float


def refuse_if_gathered_to_train(
    nights: Dataset, evidence: EvidenceConfig, sheets: Mapping[str, ReferenceSheet]
) -> None:
    """Stop before evidence is fitted to a folder in which genuine pairs depart far too often.

    Args:
        nights: what the evidence would be fitted to.
        evidence: the moderators', which states the shares.
        sheets: by maker; a sheet states how often the mark alone stands on a genuine tab.

    Raises:
        ValueError: if a state comes far too often among a folder's genuine pairs of a maker.
    """
    genuine: dict[tuple[Path, str], list[PairTruth]] = defaultdict(list)
    for one in nights.listings:
        if one.truth is not None and not one.truth.counterfeit:
            genuine[one.folder, one.listing.maker].append(one.truth)
    for (folder, maker), pairs in genuine.items():
        if found := too_often(pairs, stated_shares(evidence, sheets[maker])):
            worst, more = found[0], f"; {len(found) - 1} more signs" if len(found) > 1 else ""
            said = (
                f"{CUES[worst.cue].topic} {worst.state} in {worst.share:.0%} of them, stated {worst.stated:.1%}{more}"
            )
            raise ValueError(
                f"{folder}: genuine pairs depart far too often to fit the evidence to ({said}); "
                "name nights with pairs as they come in: --evidence-from FOLDER, or write the shares that are true of "
                "this maker into evidence.yaml"
            )


def stated_shares(evidence: EvidenceConfig, sheet: ReferenceSheet) -> dict[tuple[str, str], float]:
    """The share of genuine pairs stated for each departing state; of the mark alone the sheet's, if that is larger."""
    stated = {
        (name, state): weight.genuine
        for name, cue in evidence.cues.items()
        for state, weight in cue.states.items()
        if state != CUES[name].genuine_state
    }
    mark = ("tab_word", "mark_only")
    return stated | {mark: max(stated[mark], sheet.tab.mark_only_share)}


def too_often(genuine: Sequence[PairTruth], stated: Stated) -> list[TooOften]:
    """The states that genuine pairs show far too often, the commonest first.

    A pair that stands for many counts accordingly, and so many pairs as Kish's effective number (1965) are then taken
    to have been counted: pairs from the top of a queue, where departing ones gather, say little beside those drawn by
    chance.
    """
    surely = NormalDist().inv_cdf(1 - _FAMILY / max(1, len(stated)))
    found = []
    for (cue, state), wanted in stated.items():
        weights = [(pair.stands_for, pair.cues[cue] == state) for pair in genuine if cue in pair.cues]
        total = sum(weight for weight, _ in weights)
        if not total:
            continue
        share = sum(weight for weight, shows in weights if shows) / total
        counted = total**2 / sum(weight**2 for weight, _ in weights)
        low, _ = wilson_interval(min(share, 1.0) * counted, counted, surely)
        if low > max(_TIMES * wanted, _OFTEN):
            found.append(TooOften(cue, state, share, low, wanted))
    return sorted(found, key=lambda one: -one.share)
