"""YAML in, frozen and checked values out: a maker's reference sheet and the weights of the evidence.

A wrong file is refused with a sentence that names the file, the key, and what to do about it.
"""

from __future__ import annotations

import difflib
import itertools
from collections.abc import Mapping
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any, Literal, Self, TypeVar

import yaml
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from pipeline.cues import CUES

Share = Annotated[float, Field(gt=0, lt=1)]
Fraction = Annotated[float, Field(ge=0, le=1)]
Millimetres = Annotated[float, Field(gt=0)]
Hex = Annotated[str, Field(pattern=r"^#[0-9A-Fa-f]{6}$")]


class ConfigError(ValueError):
    """A configuration file that cannot be used; the message says where and what to do."""


class _Frozen(BaseModel):
    """Base of all models here: unchangeable, and an unknown key is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid")


# ---------------------------------------------------------------- the maker's reference sheet


class StyleSheet(_Frozen):
    """What a genuine pair of one style carries."""

    name: str
    rivet_metal: str
    fly: Literal["button", "zip"]
    label_motto_curve: str
    usual_price_eur: tuple[Annotated[float, Field(gt=0)], Annotated[float, Field(gt=0)]]

    @model_validator(mode="after")
    def _prices_in_order(self) -> Self:
        if self.usual_price_eur[0] > self.usual_price_eur[1]:
            raise ValueError("usual_price_eur: write the lower price first")
        return self


class ThreadSheet(_Frozen):
    """A sewing thread's colour and its name."""

    hex: Hex
    name: str


class PocketSheet(_Frozen):
    """The right back pocket, seen flat; lengths in mm."""

    width_top: Millimetres
    width_bottom: Millimetres
    height: Millimetres
    shape: str
    edge_stitch_rows: Annotated[int, Field(ge=1)]
    stitches_per_inch: Annotated[float, Field(gt=0)]
    thread: ThreadSheet


class TabSheet(_Frozen):
    """The woven tab in the pocket's seam; lengths in mm."""

    size: tuple[Millimetres, Millimetres]
    top_below_pocket_top: Millimetres
    tolerance: Millimetres
    ground: Hex
    lettering: Hex
    word: str
    mark_only_share: Fraction


class LabelSheet(_Frozen):
    """The waistband label; lengths in mm, colour tolerance in CIEDE2000."""

    size: tuple[Millimetres, Millimetres]
    ground: Hex
    ground_lab_tolerance: Annotated[float, Field(gt=0)]
    blind_print: Hex
    name_line: str
    motto: str
    size_print: Hex
    size_lines: tuple[str, ...]


class ButtonSheet(_Frozen):
    """The waistband button; diameter in mm."""

    diameter: Millimetres
    metal_follows_rivets: bool
    rim_legend: str
    centre: str
    back_code_digits: Annotated[int, Field(ge=1)]


class RivetSheet(_Frozen):
    """The pocket rivets; diameter in mm."""

    diameter: Millimetres
    legend: str
    inside_stamped: bool


class ZipSheet(_Frozen):
    """Names that a genuine zip may carry, the maker's own first."""

    marks: tuple[str, ...]


class CareTagSheet(_Frozen):
    """The care tag inside; size in mm."""

    size: tuple[Millimetres, Millimetres]
    ground: Hex
    print: Hex
    code_line: str


class ReferenceSheet(_Frozen):
    """All that a genuine pair of one maker shows."""

    version: Literal[1]
    maker: str
    name: str
    styles: Mapping[str, StyleSheet]
    pocket: PocketSheet
    tab: TabSheet
    label: LabelSheet
    button: ButtonSheet
    rivet: RivetSheet
    zip: ZipSheet
    care_tag: CareTagSheet


# ---------------------------------------------------------------- the weights of the evidence


class Kind(StrEnum):
    """How much a state is allowed to say."""

    USUAL = "usual"
    INNOCENT = "innocent"
    WEAK_SIGN = "weak_sign"
    ODDITY = "oddity"
    SIGN = "sign"
    SURE_SIGN = "sure_sign"


class StateWeight(_Frozen):
    """How often genuine and counterfeit pairs show one state, and what kind of sign it is."""

    genuine: Share
    counterfeit: Share
    kind: Kind


class CueWeights(_Frozen):
    """One cue's states, and the furthest (log10) that the cue may push either way."""

    note: str
    bound_log10_lr: Annotated[float, Field(gt=0, le=6)]
    states: Mapping[str, StateWeight]


class KindLimits(_Frozen):
    """Lowest and highest log10 likelihood ratio of a clearly seen state of one kind."""

    at_least: float
    at_most: float

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.at_least > self.at_most:
            raise ValueError("at_least is above at_most: swap them")
        return self


class Group(_Frozen):
    """Cues that move together: `overlap` 0 lets each speak in full, 1 only the strongest."""

    name: str
    cues: tuple[str, ...]
    overlap: Fraction


class Override(_Frozen):
    """A moderator's own figure for one state, with the reason."""

    cue: str
    state: str
    log10_lr: Annotated[float, Field(ge=-6, le=6)]
    note: Annotated[str, Field(min_length=1)]


class TextChecks(_Frozen):
    """Settings of the checks on print and on the listing's own words."""

    price_low_below: Fraction
    least_confidence: Fraction
    lookalikes: Annotated[float, Field(ge=1)]
    near_code_share: Fraction


class EvidenceConfig(_Frozen):
    """All that turns readings into a likelihood ratio and a probability."""

    version: Literal[1]
    prior_counterfeit: Share
    bound_total_log10_lr: Annotated[float, Field(gt=0, le=12)]
    repeat_views: Fraction
    least_doubt: Annotated[float, Field(ge=0, le=0.2)]
    least_spread: Fraction
    weak_alone_at_most: Annotated[float, Field(gt=0)] = 0.55
    ask_for_above_bits: Annotated[float, Field(ge=0)]
    # Before a night has told: how many false alarms a sign gives, and how many listings that belief weighs as much as.
    false_alarm_share: Share = 0.01
    false_alarm_listings: Annotated[float, Field(gt=0)] = 15
    text_checks: TextChecks
    kinds: Mapping[Kind, KindLimits]
    sets: Mapping[str, Share]
    part_sets: Mapping[str, Share] = {}
    groups: tuple[Group, ...]
    overrides: tuple[Override, ...]
    calibration: tuple[tuple[float, float], ...]
    cues: Mapping[str, CueWeights]

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        problems = [*_cue_problems(self), *_rule_problems(self), *_calibration_problems(self)]
        if problems:
            raise ValueError("; ".join(problems))
        return self


def _cue_problems(evidence: EvidenceConfig) -> list[str]:
    """What is wrong with the table of cues and kinds."""
    problems = [f"kinds: add {kind.value}" for kind in Kind if kind not in evidence.kinds]
    problems += [f"cues: add {name}" for name in CUES if name not in evidence.cues]
    for name, cue in evidence.cues.items():
        if name not in CUES:
            problems.append(f"cues.{name}: no such cue; known are {', '.join(CUES)}")
            continue
        if set(cue.states) != set(CUES[name].states):
            problems.append(f"cues.{name}.states: give exactly {', '.join(CUES[name].states)}")
        for side in ("genuine", "counterfeit"):
            total = sum(getattr(state, side) for state in cue.states.values())
            if abs(total - 1) > 0.005:
                problems.append(f"cues.{name}: the {side} shares sum to {total:.4f}; make them sum to 1")
    return problems


def _rule_problems(evidence: EvidenceConfig) -> list[str]:
    """What is wrong with the groups, sets and overrides."""
    grouped = [cue for group in evidence.groups for cue in group.cues]
    problems = [f"groups: {cue}: no such cue" for cue in grouped if cue not in CUES]
    problems += [
        f"groups: {cue} stands twice; leave it in one place" for cue in sorted(set(grouped)) if grouped.count(cue) > 1
    ]
    problems += [
        f"{key}.{cue}: needs a known cue with two states"
        for key, sets in (("sets", evidence.sets), ("part_sets", evidence.part_sets))
        for cue in sets
        if cue not in CUES or len(CUES[cue].states) != 2
    ]
    problems += [
        f"overrides: {item.cue}: {item.state}: no such cue and state"
        for item in evidence.overrides
        if item.cue not in CUES or item.state not in CUES[item.cue].states
    ]
    pairs = [(item.cue, item.state) for item in evidence.overrides]
    twice = sorted({pair for pair in pairs if pairs.count(pair) > 1})
    problems += [f"overrides: {cue}: {state}: stands twice; keep one" for cue, state in twice]
    return problems


def _calibration_problems(evidence: EvidenceConfig) -> list[str]:
    """What is wrong with the calibration line."""
    points = evidence.calibration
    if len(points) < 2:
        return ["calibration: give at least two points [raw, calibrated]"]
    steps = list(itertools.pairwise(points))
    if any(after[0] <= before[0] or after[1] < before[1] for before, after in steps):
        return ["calibration: raw values must rise and calibrated values must not fall"]
    return []


# ---------------------------------------------------------------- reading the files

Model = TypeVar("Model", bound=_Frozen)


def load_evidence(path: Path) -> EvidenceConfig:
    """Read the weights of the evidence.

    Raises:
        ConfigError: if the file is missing, not YAML, or not as it should be.
    """
    return _build(EvidenceConfig, _read_yaml(path), path)


def load_sheet(path: Path) -> ReferenceSheet:
    """Read one maker's reference sheet.

    Raises:
        ConfigError: if the file is missing, not YAML, or not as it should be.
    """
    return _build(ReferenceSheet, _read_yaml(path), path)


def load_sheets(folder: Path) -> dict[str, ReferenceSheet]:
    """Read every reference sheet of a folder, by maker. A sheet is a YAML file with the key `maker`.

    Raises:
        ConfigError: if the folder holds no sheet, a broken one, or two of one maker.
    """
    sheets: dict[str, ReferenceSheet] = {}
    for path in sorted(folder.glob("*.yaml")):
        content = _read_yaml(path)
        if "maker" not in content:
            continue
        sheet = _build(ReferenceSheet, content, path)
        if sheet.maker in sheets:
            raise ConfigError(f"{path}: maker: {sheet.maker} has a second sheet in this folder; keep one")
        sheets[sheet.maker] = sheet
    if not sheets:
        raise ConfigError(f"{folder}: no reference sheet here; put a YAML file with the key `maker` into it")
    return sheets


def parsed_yaml(text: str) -> object:
    """What a YAML text says, plain values only; read by the C library where PyYAML has it, ten times as fast.

    Raises:
        yaml.YAMLError: if it is not YAML.
    """
    return yaml.load(text, Loader=getattr(yaml, "CSafeLoader", yaml.SafeLoader))  # either makes plain values only


def _read_yaml(path: Path) -> dict[str, Any]:
    """The file's top-level map."""
    try:
        content = parsed_yaml(path.read_text(encoding="utf-8"))
    except OSError as err:
        raise ConfigError(f"{path}: cannot be read ({err.strerror}); check the path") from err
    except (yaml.YAMLError, UnicodeDecodeError) as err:
        raise ConfigError(f"{path}: is not YAML; correct this place: {err}") from err
    if not isinstance(content, dict):
        raise ConfigError(f"{path}: expected keys and values, got {type(content).__name__}; see the shipped file")
    return content


def _build(model: type[Model], content: Mapping[str, Any], path: Path) -> Model:
    """Check a file's content against its model."""
    try:
        return model.model_validate(content)
    except ValidationError as err:
        lines = [f"{path}: {_explain(dict(detail))}" for detail in err.errors(include_url=False)]
        raise ConfigError("\n".join(lines)) from err


def _explain(detail: Mapping[str, Any]) -> str:
    """One of pydantic's findings as key, trouble, and what to do."""
    key = ".".join(str(step) for step in detail["loc"]) or "whole file"
    match detail["type"]:
        case "extra_forbidden":
            names = [name for model in _Frozen.__subclasses__() for name in model.model_fields]
            near = difflib.get_close_matches(str(detail["loc"][-1]), names, n=1)
            advice = f"did you mean {near[0]}?" if near else "remove it"
            return f"{key}: unknown key; {advice}"
        case "missing":
            return f"{key}: missing; add it"
        case "string_type" if isinstance(detail["input"], bool):
            # YAML reads a bare yes, no, on or off as true or false.
            return f'{key}: put the words "yes", "no", "on" and "off" in quotes'
        case "value_error":
            return f"{key}: {detail['ctx']['error']}"
        case _:
            return f"{key}: {detail['msg']}, got {detail['input']!r}; correct the value"


# ---------------------------------------------------------------- how heads are trained


class EvidenceRecipe(_Frozen):
    """How the evidence is fitted anew; `weight_of_start` is in pairs, `fewest_of_a_kind` in listings."""

    weight_of_start: Annotated[float, Field(ge=0)]
    fewest_of_a_kind: Annotated[int, Field(ge=2)]


class HeadsRecipe(_Frozen):
    """How the part network's heads are trained on labelled crops, the trunk left as it is."""

    version: Literal[1]
    seed: int
    epochs: Annotated[int, Field(ge=1)]
    batch: Annotated[int, Field(ge=1)]
    peak_rate: Annotated[float, Field(gt=0, le=1)]
    hold_to_start: Annotated[float, Field(ge=0)]
    keep_right: Annotated[float, Field(ge=0)]
    dropout: bool
    most_weight: Annotated[float, Field(ge=1)]
    evidence: EvidenceRecipe


def load_heads_recipe(path: Path) -> HeadsRecipe:
    """Read how heads are to be trained.

    Raises:
        ConfigError: if the file is missing, not YAML, or not as it should be.
    """
    return _build(HeadsRecipe, _read_yaml(path), path)
