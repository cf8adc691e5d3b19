"""`denim-triage labels check`: everything that may be wrong with labels, before anybody trains on them."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray

from pipeline.config import ReferenceSheet
from pipeline.improve.contradictions import find_contradictions
from pipeline.improve.crop_sheet import Tile, draw_sheet
from pipeline.improve.crops import Crop, Features, Progress, Tokens, crops_of, stacked
from pipeline.improve.dataset import Dataset, Side
from pipeline.improve.findings import Finding, Worry
from pipeline.improve.gaps import count_answers, find_gaps
from pipeline.improve.leaks import find_leaks
from pipeline.improve.mislabels import Mislabel, find_mislabels

_MOST_TILES = 40
_BATCH = 64


@dataclass(frozen=True, slots=True)
class LabelCheck:
    """What was found, and what was looked at."""

    findings: tuple[Finding, ...]
    version: str
    listings: int
    crops: int
    untold: tuple[str, ...]

    @property
    def counts(self) -> Mapping[Worry, int]:
        """How many findings of each kind."""
        counted = Counter(finding.worry for finding in self.findings)
        return {worry: counted[worry] for worry in Worry}


def check_labels(
    train: Dataset,
    test: Dataset,
    sheets: Mapping[str, ReferenceSheet],
    features: Features,
    out: Path,
    progress: Progress,
) -> LabelCheck:
    """Look for leaks, contradictions, likely mislabels and gaps; write `labels.md`, `labels.json` and the sheet.

    Args:
        train: what is to be trained on.
        test: what is tested on; may be empty.
        sheets: reference sheets by maker.
        features: of the network in use.
        out: an existing folder.
        progress: gives a context whose value is called with (done, total).

    Raises:
        ValueError: if a maker has no sheet.
    """
    crops = crops_of(train, sheets)
    with progress("comparing photos") as tell:
        leaks = find_leaks(train, test, tell)
    with progress("looking at labelled parts") as tell:
        tokens = features.of_crops(crops, tell)
    readable = [place for place, one in enumerate(tokens) if one is not None]
    known = [crops[place] for place in readable]
    mislabels, untold = find_mislabels(known, looked_up(features, [tokens[place] for place in readable]))
    findings = (
        *leaks,
        *find_contradictions(train),
        *(one.finding for one in mislabels),
        *find_gaps(crops),
    )
    checked = LabelCheck(findings, train.version, len(train.listings), len(crops), tuple(untold))
    (out / "labels.md").write_text(_report(checked, known), encoding="utf-8")
    (out / "labels.json").write_text(json.dumps(_rows(checked), indent=1, ensure_ascii=False), encoding="utf-8")
    draw_sheet([_tile(one) for one in mislabels[:_MOST_TILES]], "Labels that look wrong", out / "mislabels.png")
    return checked


@torch.no_grad()
def looked_up(features: Features, tokens: Sequence[Tokens | None]) -> NDArray[np.float32]:
    """What every query finds in every crop, (crops, queries, channels)."""
    known = [one for one in tokens if one is not None]
    found = np.zeros((len(known), features.network.n_queries, features.network.width), np.float32)
    for places, group in stacked(known):
        for start in range(0, len(places), _BATCH):
            seen = features.network.attend(group[start : start + _BATCH].float())
            found[places[start : start + _BATCH]] = seen.numpy()
    return found


def _tile(one: Mislabel) -> Tile:
    looks = f"looks {one.looks.replace('_', ' ')} ({one.chance_of_look:.0%})"
    name = one.crop.of.listing.listing_id
    caption = f"{one.head.name.replace('_', ' ')} labelled {one.labelled.replace('_', ' ')}; {name}"
    return Tile(one.crop, caption, looks)


def _rows(checked: LabelCheck) -> dict[str, object]:
    return {
        "dataset": checked.version,
        "listings": checked.listings,
        "labelled_parts": checked.crops,
        "counts": {worry.value: n for worry, n in checked.counts.items()},
        "too_few_to_tell": list(checked.untold),
        "findings": [
            {"worry": one.worry.value, "says": one.sentence, "listings": list(one.listings)} for one in checked.findings
        ],
    }


def _report(checked: LabelCheck, crops: Sequence[Crop]) -> str:
    lines = [f"# Labels of dataset {checked.version}", ""]
    lines.append(f"{checked.listings} listings, {checked.crops} labelled parts.")
    for worry in Worry:
        of_kind = [one for one in checked.findings if one.worry is worry]
        lines += ["", f"## {worry.says} ({len(of_kind)})", ""]
        lines += [f"- {one.sentence}" for one in of_kind] or ["Nothing found."]
        if worry is Worry.MISLABEL:
            lines += ["", "Pictures: mislabels.png. A label that looks wrong may be right: look before changing it."]
            if checked.untold:
                lines.append(f"Too few examples to tell: {', '.join(checked.untold)}.")
    lines += ["", "## Examples", "", "| head | answer | fit | check |", "| --- | --- | --- | --- |"]
    lines += [
        f"| {head} | {answer} | {sides[Side.FIT]} | {sides[Side.CHECK]} |"
        for (head, answer), sides in count_answers(crops).items()
    ]
    return "\n".join(lines) + "\n"
