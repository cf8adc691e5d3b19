"""What the listings looked like that the evidence was fitted on, kept beside the networks to compare later nights with.

`python -m pipeline.train.fit_evidence evidence FOLDER` writes it; with `night` in place of `evidence` it leaves the
evidence as it is.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from pipeline.config import ConfigError
from pipeline.domain import Assessment, Reason

FILE = "fitting_night.json"
Count = Annotated[int, Field(ge=0)]


class CueCounts(BaseModel):
    """On how many listings a cue was seen, and on how many of these it was read as departing."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    seen: Count
    departing: Count

    @model_validator(mode="after")
    def _departs_where_seen(self) -> CueCounts:
        if self.departing > self.seen:
            raise ValueError("a cue can't depart on more listings than it was seen on")
        return self


class Night(BaseModel):
    """A night in counts: the log10 likelihood ratio of every listing, and what became of each cue that was seen."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    log10_lrs: tuple[float, ...]
    cues: Mapping[str, CueCounts]

    @property
    def listings(self) -> int:
        """How many."""
        return len(self.log10_lrs)

    @model_validator(mode="after")
    def _seen_on_listings(self) -> Night:
        if any(counts.seen > self.listings for counts in self.cues.values()):
            raise ValueError("a cue can't be seen on more listings than there are")
        return self


class FittingNight(BaseModel):
    """The night of the fit.

    `model` and `rules` are the checksums that a run notes; chances are told at `prior_counterfeit`; `command` wrote it.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    version: Literal[1] = 1
    command: str
    model: str
    rules: str
    prior_counterfeit: Annotated[float, Field(gt=0, lt=1)]
    night: Night


def departs(reason: Reason) -> bool:
    """Whether a reason names a state that speaks against the pair, however softly.

    A night's doubts make a sign softer, never silent, so that one read far too often is still counted here.
    """
    return reason.log10_lr > 0


def night_of(assessments: Iterable[Assessment]) -> Night:
    """Count a night's assessments, which are held one at a time."""
    ratios, seen, departing = list[float](), Counter[str](), Counter[str]()
    for one in assessments:
        ratios.append(round(one.log10_lr, 4))
        seen.update(reason.cue for reason in one.reasons)
        departing.update(reason.cue for reason in one.reasons if departs(reason))
    return Night(
        log10_lrs=tuple(sorted(ratios)),
        cues={cue: CueCounts(seen=count, departing=departing[cue]) for cue, count in sorted(seen.items())},
    )


def write_fitting_night(models_dir: Path, fitted: FittingNight) -> None:
    """Put it beside the networks."""
    (models_dir / FILE).write_text(fitted.model_dump_json() + "\n", encoding="utf-8")


def read_fitting_night(models_dir: Path) -> FittingNight | None:
    """What was kept of the fit; None if nothing was.

    Raises:
        ConfigError: if the file is not as it should be.
    """
    path = models_dir / FILE
    try:
        return FittingNight.model_validate_json(path.read_bytes())
    except FileNotFoundError:
        return None
    except ValidationError as err:
        detail = err.errors(include_url=False)[0]
        key = ".".join(str(step) for step in detail["loc"]) or "whole file"
        raise ConfigError(
            f"{path}: {key}: {detail['msg']}; write it anew with: "
            "python -m pipeline.train.fit_evidence night FOLDER, or remove it"
        ) from err
