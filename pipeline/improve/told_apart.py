"""What a candidate's card says of its relearned heads: how well they told parts apart on the sellers kept back.

Figures of a head stand for its weights, so those measured before it was relearned do not go along with it.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

from pipeline.evaluate.metrics import auroc
from pipeline.improve.paired import FEWEST
from pipeline.train.head_pictures import Chances

_FIGURES, _RESTS_ON = "auroc_held_out", "heads_relearned"


def with_measured(
    about: Mapping[str, Any], relearned: Collection[str], chances: Mapping[str, Chances]
) -> dict[str, Any]:
    """What the card says for people, with the figures of heads that changed: measured, or left out.

    Args:
        about: of the network that was started from.
        relearned: the heads with new weights.
        chances: what the candidate says of crops of sellers kept back, by head, as `chances_by_head` gives it.
    """
    figures = {name: figure for name, figure in about.get(_FIGURES, {}).items() if name not in relearned}
    rests_on = dict(about.get(_RESTS_ON, {}))
    for name in sorted(relearned):
        rests_on[name] = f"not measured, fewer than {FEWEST} crops of a kind on sellers kept back"
        if name in chances:
            _, truth, chance = chances[name]
            departs = truth > 0
            if min(departs.sum(), (~departs).sum()) >= FEWEST:
                figures[name] = round(auroc(1 - chance[:, 0], departs), 4)
                rests_on[name] = f"measured on {len(truth)} crops of sellers kept back, {departs.sum()} of which depart"
    return {**about, _FIGURES: figures} | ({_RESTS_ON: rests_on} if rests_on else {})
