"""Readings in, a likelihood ratio with its reasons out. Pure functions: no files, no clock, no torch."""

from pipeline.evidence.assess import assess, raw_log10_lr
from pipeline.evidence.bayes import log10_odds, posterior
from pipeline.evidence.style_checks import resolve_style, with_style

__all__ = ["assess", "log10_odds", "posterior", "raw_log10_lr", "resolve_style", "with_style"]
