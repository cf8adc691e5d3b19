"""The words that go with the numbers: what was seen, how much it says, what to ask for. Always polite."""

from __future__ import annotations

import math
from collections.abc import Sequence

from pipeline.config import ReferenceSheet
from pipeline.cues import CUES, UNLIKE_GENUINE, VIEWS, Source
from pipeline.domain import Measurement, PartName
from pipeline.evidence.measured_words import measured_words

_SAID_OF = {Source.TEXT: "stated: ", Source.PHOTOS: ""}  # nothing is read off a price, or off a match
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
    part: PartName | None = None,
    sheet: ReferenceSheet | None = None,
) -> str:
    """One sentence for one reason.

    Args:
        cue: the cue's name.
        state: the state to name.
        log10_lr: what it counts for.
        measured: the number behind it, if any.
        text: the print, the seller's word or the match behind it, if any.
        views: how many readings it rests on.
        part: what the readings that the sentence is about were taken from.
        sheet: the maker's, to set its figure beside what was measured.
    """
    if cue == UNLIKE_GENUINE and part is not None and measured is not None and state != CUES[cue].genuine_state:
        return f"{_unlike(part, measured.value)} {_speaks(log10_lr)}"
    details = []
    if measured is not None and cue != UNLIKE_GENUINE:
        details.append(measured_words(cue, measured, sheet))
    if text:
        details.append(_SAID_OF.get(CUES[cue].source, "read: ") + text)
    if views > 1:
        details.append(f"{views} readings")
    words = CUES[cue].words[state]
    seen = words[0].upper() + words[1:] + (f" ({', '.join(details)})" if details else "")
    return f"{seen}. {_speaks(log10_lr)}"


def _unlike(part: PartName, per_cent: float) -> str:
    """How rarely a genuine part is as unlike the others as this one; `per_cent` of them are."""
    name = part.value.replace("_", " ")
    return (
        f"{name[0].upper() + name[1:]} unlike the genuine ones seen so far "
        f"(no more than 1 in {_round_down(100 / per_cent)} of them looks this unlike the others)."
    )


def _round_down(value: float) -> int:
    """To one leading digit and a half, so that the sentence claims no more than was counted: 347 to 300, 178 to 150."""
    step = 10.0 ** math.floor(math.log10(max(value, 1.0)))
    return int(max(1.0, math.floor(2 * value / step) * step / 2))


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


def doubt_note(seen: int, departing: int, usual_share: float, too_many: float) -> str:
    """Why a sign counts for less than it would by itself.

    Args:
        seen: listings of the night on which the cue was seen.
        departing: of these, read as departing.
        usual_share: of departures, 0..1.
        too_many: departures beyond what counterfeits would explain; 0 where the night is merely small.
    """
    if too_many > 0:
        return f"counted for less: tonight {_per_cent(departing / seen)} of the listings show this, " + (
            f"{_per_cent(usual_share)} would be usual"
        )
    return f"counted for less: the {seen} of tonight's listings that show this are few to tell a false alarm by"


def doubt_notice(cue: str, seen: int, departing: int, usual_share: float) -> str:
    """A line for the analyst about a sign that is read far too often; the arguments are `doubt_note`'s."""
    name, share = CUES[cue].topic, _per_cent(departing / seen)
    return (
        f'the sign "{name}" is read on {departing} of {seen} listings ({share}; '
        f"{_per_cent(usual_share)} would be usual), more than many counterfeits would explain: "
        "it counts for less tonight. Look at these crops, label some and train on them"
    )


def _per_cent(share: float) -> str:
    return f"{100 * share:.0f}%"
