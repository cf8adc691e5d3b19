"""Writing the weights down so that a moderator can read and change them."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.config import EvidenceConfig
from pipeline.cues import CUES


def render(evidence: EvidenceConfig) -> str:
    """The configuration as commented YAML that reads back as the same configuration."""
    return "\n".join([*_head(evidence), *_rules(evidence), *_cue_lines(evidence)]) + "\n"


def _head(evidence: EvidenceConfig) -> list[str]:
    """Prior, bounds and the checks of text."""
    settings = (
        ("prior_counterfeit", "share of counterfeits among the listings that come in"),
        ("bound_total_log10_lr", "no listing's evidence counts for more than this, either way"),
        ("repeat_views", "n photos of one thing say n to this power as much as one; 1: independent"),
        ("least_doubt", "no reading is ever believed without this much doubt"),
        ("least_spread", "a reading that barely prefers a state counts as not seen"),
        ("weak_alone_at_most", "weak signs alone never count for more than this (0.6 would be even odds)"),
        ("ask_for_above_bits", "a photo expected to tell less than this is not asked for"),
        ("false_alarm_share", "share of genuine pairs on which a sign is read by mistake, believed before a night"),
        ("false_alarm_listings", "so many listings of a night weigh as much as that belief"),
    )
    checks = (
        ("price_low_below", "low: under this fraction of the style's lowest usual price"),
        ("least_confidence", "print read with less counts as unreadable: not seen, no mismatch"),
        ("lookalikes", "a misread character turns into one of about so many others"),
        ("near_code_share", "among codes that differ, the share that differs in one digit only"),
    )
    return [
        "# How much each sign says. This file belongs to the moderators: change it, and say why in the note.",
        "# A score is a reason to look, never proof. Whether a pair is genuine is for its maker, a licensed expert",
        "# and local law to decide.",
        "#",
        "# A clearly seen state counts log10( counterfeit share / genuine share ): +1 makes counterfeit ten times",
        "# likelier than before, -1 ten times less likely, 0 says nothing. A cue that no photo shows counts nothing.",
        "version: 1",
        *(_setting(key, getattr(evidence, key), comment) for key, comment in settings),
        "text_checks:",
        *(_setting(f"  {key}", getattr(evidence.text_checks, key), comment) for key, comment in checks),
        "",
        "# Lowest and highest log10 ratio for a clearly seen state of each kind, whatever the shares say.",
        "kinds:",
        *(
            f"  {kind.value}: {{at_least: {_number(limits.at_least)}, at_most: {_number(limits.at_most)}}}"
            for kind, limits in evidence.kinds.items()
        ),
    ]


def _setting(key: str, value: float, comment: str) -> str:
    """One line with its comment in line with the others."""
    return f"{key}: {_number(value)}".ljust(30) + f"# {comment}"


def _rules(evidence: EvidenceConfig) -> list[str]:
    """Sets, groups, overrides and calibration."""
    return [
        "",
        "# Separate objects that should all be in order: where the pair departs, this share of them does.",
        "# One clear blank among stamped rivets therefore still counts.",
        *_block("sets", [f"  {cue}: {_number(share)}" for cue, share in evidence.sets.items()], "{}"),
        "",
        "# The same, where the objects are a pair's different parts; the photos of one part count as one look at it.",
        *_block("part_sets", [f"  {cue}: {_number(share)}" for cue, share in evidence.part_sets.items()], "{}"),
        "",
        "# Signs that come from one deed: the strongest counts in full, the others at (1 - overlap).",
        *_block(
            "groups",
            [
                f"  - {{name: {group.name}, overlap: {_number(group.overlap)}, cues: [{', '.join(group.cues)}]}}"
                for group in evidence.groups
            ],
            "[]",
        ),
        "",
        "# Your own figure for one state, in place of the shares'. A note is required. For example:",
        '#   - {cue: label_ground, state: "dark", log10_lr: 0.5, note: "dark labels of spring 2024 are genuine"}',
        *_block(
            "overrides",
            [
                f"  - {{cue: {item.cue}, state: {_quoted(item.state)}, log10_lr: {_number(item.log10_lr)}, "
                f"note: {_quoted(item.note)}}}"
                for item in evidence.overrides
            ],
            "[]",
        ),
        "",
        "# What a sum of evidence has meant in practice: [sum, calibrated], log10, straight lines in between.",
        *_block("calibration", [f"  - [{_number(x)}, {_number(y)}]" for x, y in evidence.calibration], "[]"),
    ]


def _cue_lines(evidence: EvidenceConfig) -> list[str]:
    """The table of cues, a state a line."""
    lines = ["", "# Share of genuine and of counterfeit pairs that show each state; each side sums to 1.", "cues:"]
    for name in CUES:
        cue = evidence.cues[name]
        lines += [f"  {name}:", f"    note: {_quoted(cue.note)}", f"    bound_log10_lr: {_number(cue.bound_log10_lr)}"]
        lines.append("    states:")
        for state in CUES[name].states:
            weight = cue.states[state]
            lines.append(
                f"      {_quoted(state)}: {{genuine: {_number(weight.genuine)}, "
                f"counterfeit: {_number(weight.counterfeit)}, kind: {weight.kind.value}}}"
            )
    return lines


def _block(key: str, lines: Sequence[str], empty: str) -> list[str]:
    """A key with its lines, or with an empty value."""
    return [f"{key}:", *lines] if lines else [f"{key}: {empty}"]


def _number(value: float) -> str:
    """A number short enough to read; YAML takes 1e-05 for a word, so no exponents."""
    return f"{value:.6f}".rstrip("0").rstrip(".") or "0"


def _quoted(text: str) -> str:
    """Text in double quotes, so that YAML does not take yes, no or off for true and false."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", " ")
    return f'"{escaped}"'
