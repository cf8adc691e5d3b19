"""The words that go with the numbers: what was seen, how much it says, what to ask for. Always polite."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.cues import CUES, VIEWS
from pipeline.domain import Measurement

# |log10 LR| from which a word applies: a factor of 100, 10, 3 and 1.25.
_STRENGTHS = ((2.0, "very strongly"), (1.0, "strongly"), (0.5, "somewhat"), (0.1, "slightly"))


def reason_sentence(
    cue: str,
    state: str,
    log10_lr: float,
    *,
    measured: Measurement | None = None,
    text: str | None = None,
    views: int = 1,
) -> str:
    """One sentence for one reason.

    Args:
        cue: the cue's name.
        state: the state to name.
        log10_lr: what it counts for.
        measured: the number behind it, if any.
        text: the print behind it, if any.
        views: how many readings it rests on.
    """
    details = []
    if measured is not None:
        details.append(f"measured {measured.value:.1f} ± {measured.sigma:.1f} {measured.unit}")
    if text:
        details.append(f"read: {text}")
    if views > 1:
        details.append(f"{views} readings")
    words = CUES[cue].words[state]
    seen = words[0].upper() + words[1:] + (f" ({', '.join(details)})" if details else "")
    return f"{seen}. {_speaks(log10_lr)}"


def _speaks(log10_lr: float) -> str:
    """How much it says, and which way."""
    strength = next((word for least, word in _STRENGTHS if abs(log10_lr) >= least), None)
    if strength is None:
        return "Says little either way."
    return f"Speaks {strength} for {'a closer look' if log10_lr > 0 else 'a genuine pair'}."


def request_sentence(views: Sequence[str]) -> str:
    """A polite message to the seller asking for one or more photos.

    Args:
        views: names of `pipeline.cues.VIEWS`.
    """
    wanted = " and of ".join(VIEWS[view] for view in views)
    return f"Could you please add a photo of {wanted}? It helps buyers to see what they get. Thank you."
