"""Readings in, a likelihood ratio with its reasons out. Pure functions: no files, no clock, no torch."""

from pipeline.evidence.assess import assess, log10_lrs, raw_log10_lrs
from pipeline.evidence.bayes import log10_odds, posterior
from pipeline.evidence.learn import as_fitted
from pipeline.evidence.sentences import doubt_notice
from pipeline.evidence.style_checks import resolve_style, with_style
from pipeline.evidence.tonight import Doubt, Doubts, doubts_tonight

__all__ = [
    "Doubt",
    "Doubts",
    "as_fitted",
    "assess",
    "doubt_notice",
    "doubts_tonight",
    "log10_lrs",
    "log10_odds",
    "posterior",
    "raw_log10_lrs",
    "resolve_style",
    "with_style",
]
