"""Which photo to ask the seller for: the one whose answer is expected to tell the most.

The worth of a cue that was not seen is the mutual information, in bits, between its state and
"counterfeit or not" at the present probability: how much a clear look is expected to shrink the doubt.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.config import EvidenceConfig, StyleSheet
from pipeline.cues import CUES, VIEWS
from pipeline.domain import PartName, PhotoRequest, TextReading
from pipeline.evidence.groups import share_out
from pipeline.evidence.sentences import request_sentence
from pipeline.evidence.weights import CueTable, cue_table

Floats = NDArray[np.float64]


def entropy_bits(probability: float) -> float:
    """Doubt about a yes-or-no question, in bits; 0 at certainty, 1 at a half."""
    shares = np.array([probability, 1 - probability])
    shares = shares[shares > 0]
    return float(-(shares * np.log2(shares)).sum())


def information_bits(table: CueTable, probability: float) -> float:
    """Mutual information between a cue's state and counterfeit-or-not.

    The bounded weights are used, so a cue that may say little is not worth asking for.

    Args:
        table: the cue's states and weights.
        probability: of counterfeit, as it stands.
    """
    counterfeit = table.weighed_counterfeit / table.weighed_counterfeit.sum()
    joint = np.array([(1 - probability) * table.genuine, probability * counterfeit])
    independent = joint.sum(axis=1, keepdims=True) * joint.sum(axis=0, keepdims=True)
    filled = joint > 0
    bits = float((joint[filled] * np.log2(joint[filled] / independent[filled])).sum())
    return max(bits, 0.0)


def photo_requests(
    not_seen: Sequence[str],
    probability: float,
    evidence: EvidenceConfig,
    *,
    style: StyleSheet | None = None,
    texts: Sequence[TextReading] = (),
) -> tuple[PhotoRequest, ...]:
    """The photos worth asking for, best first.

    A view is worth the sum of its unseen cues, with the allowance for cues that move together, and never
    more than the doubt that is left.

    Args:
        not_seen: cues without a reading.
        probability: of counterfeit, as it stands.
        evidence: shares, groups, and the least worth in bits.
        style: a style with a buttoned fly has no zip to ask for.
        texts: print already read; where one of the two codes is known, only the other is asked for.
    """
    askable = [cue for cue in not_seen if CUES[cue].view and not _absent(cue, style)]
    worth = {cue: information_bits(cue_table(cue, evidence), probability) for cue in askable}
    requests = []
    for view in VIEWS:
        views_of = {cue: _views_needed(cue, texts) for cue in askable}
        cues = [cue for cue in askable if views_of[cue][0] == view]
        bits = sum(share_out({cue: worth[cue] for cue in cues}, evidence.groups).values())
        bits = min(bits, entropy_bits(probability))
        if cues and bits >= evidence.ask_for_above_bits:
            wanted = list(dict.fromkeys([view, *(name for cue in cues for name in views_of[cue])]))
            requests.append(PhotoRequest(view, tuple(cues), bits, request_sentence(wanted)))
    return tuple(sorted(requests, key=lambda request: -request.expected_change))


def _absent(cue: str, style: StyleSheet | None) -> bool:
    """Whether the style has no such part."""
    return cue == "zip_mark" and style is not None and style.fly == "button"


def _views_needed(cue: str, texts: Collection[TextReading]) -> tuple[str, ...]:
    """The views that show a cue, the one to list it under first."""
    if cue != "code_match":
        return (CUES[cue].view,)
    read = {text.part for text in texts if text.field == "code"}
    if PartName.BUTTON_BACK in read:
        return ("care_tag",)
    return ("button_back",) if PartName.CARE_TAG in read else ("button_back", "care_tag")
