"""A finished run beside the listings that the evidence was fitted on."""

from __future__ import annotations

from pathlib import Path

from pipeline import store
from pipeline.drift import Drift, compare_nights
from pipeline.fitting_night import night_of, read_fitting_night


def drift_of(out: Path, models_dir: Path) -> Drift | None:
    """How the run lies beside the fitting listings; None where it has no listing, or nothing was kept of the fit.

    Args:
        out: the run's folder; its queue is read row by row.
        models_dir: the networks, with what was kept of the fit beside them.

    Raises:
        ConfigError: if what was kept is not as it should be.
        OSError: if the folder is no run.
    """
    fitting = read_fitting_night(models_dir)
    if fitting is None:
        return None
    about = store.read_about(out)
    return compare_nights(night_of(store.each_in_queue(out)), about.model, about.rules, fitting)
