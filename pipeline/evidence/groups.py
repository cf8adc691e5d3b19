"""Allowance for cues that move together.

One resewn tab shows in its place, its stitching, its thread and its holes: four signs of one deed. Within
a group, the strongest sign towards counterfeit speaks in full and the others that way speak at
(1 - overlap); the same holds, on its own, for what speaks for genuine. So overlap 0 is a plain sum,
overlap 1 leaves the strongest in each direction alone, and in between nothing jumps when two cues
change places.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from pipeline.config import Group


def share_out(log10_lrs: Mapping[str, float], groups: Sequence[Group]) -> dict[str, float]:
    """What each cue contributes to the sum once its group's overlap is allowed for.

    Args:
        log10_lrs: each seen cue's own log10 likelihood ratio.
        groups: cues in no group count in full.

    Returns:
        The same keys in the same order.
    """
    counted = dict(log10_lrs)
    for group in groups:
        for sign in (1, -1):
            members = [cue for cue in group.cues if sign * log10_lrs.get(cue, 0.0) > 0]
            strongest = max(members, key=lambda cue: abs(log10_lrs[cue]), default=None)
            counted.update({cue: log10_lrs[cue] * (1 - group.overlap) for cue in members if cue != strongest})
    return counted
