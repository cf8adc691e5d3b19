"""How good the queue, the parts and the cues are on a labelled folder."""

from pipeline.evaluate.report import evaluate_run

__all__ = ["evaluate_run"]
