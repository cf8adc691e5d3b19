"""All readings of one listing become one assessment: the ratio, the probability, reasons, what to ask for."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.config import EvidenceConfig, Kind, ReferenceSheet
from pipeline.cues import CUES, UNLIKE_GENUINE
from pipeline.domain import Assessment, CueReading, ListingReadings, Reason
from pipeline.evidence.asking import photo_requests
from pipeline.evidence.bayes import posterior
from pipeline.evidence.calibration import calibrate
from pipeline.evidence.groups import share_out
from pipeline.evidence.pooling import reading_vector
from pipeline.evidence.seen import SeenReadings, pooled, readings_by_cue
from pipeline.evidence.sentences import doubt_note, reason_sentence
from pipeline.evidence.tonight import Doubt, Doubts, believed
from pipeline.evidence.weights import CueTable, cue_log10_lr, cue_table, state_probabilities, telling_state

Floats = NDArray[np.float64]
# A sign makes more room than it takes, so that the limit on weak signs binds only where next to nothing else speaks.
_ROOM_A_SIGN = 4.0
_WORTH_A_WORD = 0.3  # log10; a sign that the night's doubt halves says so


@dataclass(frozen=True, slots=True, eq=False)
class _SeenCue:
    """A cue that something was seen of: its readings, joined, and what they say on their own."""

    cue: str
    readings: tuple[CueReading, ...]
    likelihood: Floats
    table: CueTable
    log10_lr: float
    telling: int  # which state to name
    doubt: Doubt | None  # None where it took next to nothing away


_Join = Callable[[Sequence[CueReading], EvidenceConfig, Doubt | None], _SeenCue | None]


def assess(
    readings: ListingReadings, sheet: ReferenceSheet, evidence: EvidenceConfig, tonight: Doubts | None = None
) -> Assessment:
    """Weigh everything seen of one listing.

    Args:
        readings: what the photos and the listing show.
        sheet: what a genuine pair of this maker shows.
        evidence: shares, bounds, groups, overrides, calibration and prior.
        tonight: from `doubts_tonight`, of the whole night that the listing came in with; None: no doubt of that kind.

    Raises:
        ValueError: if a reading names a cue or a state that does not exist.
    """
    found = readings_by_cue(readings, sheet, evidence)
    seen, counted, log10_lr = _weighed(found, evidence, tonight, _joined)
    probability = posterior(evidence.prior_counterfeit, log10_lr)
    not_seen = tuple(cue for cue in CUES if cue not in counted)
    return Assessment(
        listing_id=readings.listing.listing_id,
        log10_lr=log10_lr,
        probability=probability,
        reasons=_reasons(seen, counted, evidence, sheet),
        not_seen=not_seen,
        ask_for=photo_requests(not_seen, probability, evidence, style=found.style, texts=found.texts),
        reuse=readings.reuse,
    )


def log10_lrs(
    listings: Sequence[ListingReadings],
    sheets: Mapping[str, ReferenceSheet],
    evidence: EvidenceConfig,
    tonight: Doubts | None = None,
) -> list[float]:
    """What `assess` says of each listing in a number, without its words, which take most of the time.

    Args:
        listings: as for `assess`; readings that several listings share, the same objects, are joined once.
        sheets: reference sheets by maker.
        evidence: as for `assess`.
        tonight: as for `assess`.
    """
    return [log10_lr for _, log10_lr in _numbers(listings, sheets, evidence, tonight)]


def raw_log10_lrs(
    listings: Sequence[ListingReadings],
    sheets: Mapping[str, ReferenceSheet],
    evidence: EvidenceConfig,
    tonight: Doubts | None = None,
) -> list[float]:
    """As `log10_lrs`, before calibration; what the calibration is fitted on."""
    return [raw for raw, _ in _numbers(listings, sheets, evidence, tonight)]


def _numbers(
    listings: Sequence[ListingReadings],
    sheets: Mapping[str, ReferenceSheet],
    evidence: EvidenceConfig,
    tonight: Doubts | None,
) -> Iterator[tuple[float, float]]:
    """Each listing's sum before calibration and after."""
    known: dict[tuple[int, ...], tuple[Sequence[CueReading], _SeenCue | None]] = {}

    def join(readings: Sequence[CueReading], config: EvidenceConfig, doubt: Doubt | None) -> _SeenCue | None:
        which = tuple(id(reading) for reading in readings)
        if which not in known:  # the readings are kept beside the answer, so that nothing else takes their ids
            known[which] = (readings, _joined(readings, config, doubt))
        return known[which][1]

    for one in listings:
        found = readings_by_cue(one, sheets[one.listing.maker], evidence)
        _, counted, log10_lr = _weighed(found, evidence, tonight, join)
        yield sum(counted.values()), log10_lr


def _weighed(
    found: SeenReadings, evidence: EvidenceConfig, tonight: Doubts | None, join: _Join
) -> tuple[list[_SeenCue], dict[str, float], float]:
    """The cues that say something, what each counts for, and what they come to together."""
    doubts = tonight or {}
    joined = (join(of_cue, evidence, doubts.get(name)) for name, of_cue in found.by_cue.items())
    seen = [item for item in joined if item is not None]
    seen = [item for item in (_unexplained(item, seen, evidence) for item in seen) if item is not None]
    counted = share_out({item.cue: item.log10_lr for item in seen}, evidence.groups)
    calibrated = calibrate(sum(counted.values()), evidence.calibration, evidence.bound_total_log10_lr)
    return seen, counted, min(calibrated, _most_without_signs(seen, counted, evidence))


def _most_without_signs(seen: Sequence[_SeenCue], counted: Mapping[str, float], evidence: EvidenceConfig) -> float:
    """What the evidence may come to at most where weak signs alone, or none at all, speak for a counterfeit.

    Calibration looks at the sum only. It must not make a bargain, or a pair of which little shows, a suspect.
    """
    against = [item for item in seen if counted[item.cue] > 0]
    weak = [item for item in against if _is_weak(item, evidence)]
    strong = sum(counted[item.cue] for item in against) - sum(counted[item.cue] for item in weak)
    return (evidence.weak_alone_at_most if weak else 0.0) + _ROOM_A_SIGN * strong


def _is_weak(item: _SeenCue, evidence: EvidenceConfig) -> bool:
    """Whether a weak sign is what speaks here; one that a moderator has weighed by hand is no longer weak."""
    state = item.table.states[item.telling]
    return _kind(item, evidence) in (Kind.WEAK_SIGN, Kind.ODDITY) and state not in item.table.notes


def _joined(readings: Sequence[CueReading], evidence: EvidenceConfig, doubt: Doubt | None) -> _SeenCue | None:
    """One cue's readings joined; None where they say next to nothing."""
    cue = readings[0].cue
    table = cue_table(cue, evidence)
    as_read = pooled(readings, table.states, evidence)
    if as_read is None:
        return None
    likelihood = believed(as_read, table, doubt)
    telling = telling_state(likelihood, table, evidence.prior_counterfeit)
    log10_lr = cue_log10_lr(likelihood, table)
    is_less = cue_log10_lr(as_read, table) - log10_lr >= _WORTH_A_WORD
    return _SeenCue(cue, tuple(readings), likelihood, table, log10_lr, telling, doubt if is_less else None)


def _unexplained(item: _SeenCue, seen: Sequence[_SeenCue], evidence: EvidenceConfig) -> _SeenCue | None:
    """A cue that asks whether parts are unlike genuine ones, without the parts whose oddity a listed cue names.

    A resewn tab is unlike the genuine ones because it is resewn; a tab with the small mark alone is rare, and
    innocent. Either way the listed cue has said what there is to say.
    """
    if item.cue != UNLIKE_GENUINE:
        return item
    named = {
        reading.part
        for other in seen
        if other.cue != UNLIKE_GENUINE and _kind(other, evidence) is not Kind.USUAL
        for reading in other.readings
    }
    left = [reading for reading in item.readings if reading.part not in named]
    return _joined(left, evidence, None) if left else None  # no network judges it, so the night doubts nothing


def _kind(item: _SeenCue, evidence: EvidenceConfig) -> Kind:
    """What kind of sign the state is that a cue's readings name."""
    return evidence.cues[item.cue].states[item.table.states[item.telling]].kind


def _reasons(
    seen: Sequence[_SeenCue], counted: dict[str, float], evidence: EvidenceConfig, sheet: ReferenceSheet
) -> tuple[Reason, ...]:
    """A reason for each seen cue, most suspicious first."""
    reasons = [_reason(item, counted[item.cue], evidence, sheet) for item in seen]
    return tuple(sorted(reasons, key=lambda reason: -reason.log10_lr))


def _reason(item: _SeenCue, counted: float, evidence: EvidenceConfig, sheet: ReferenceSheet) -> Reason:
    """One cue's number and sentence, with the photo that shows it best."""
    prior = evidence.prior_counterfeit
    index = item.telling
    state = item.table.states[index]
    shown = _strongest(item, index)
    return Reason(
        cue=item.cue,
        state=state,
        probability=float(state_probabilities(item.likelihood, item.table, prior)[index]),
        log10_lr=counted,
        sentence=reason_sentence(
            item.cue,
            state,
            counted,
            measured=shown.measured,
            text=shown.text,
            views=len(item.readings),
            part=shown.part,
            sheet=sheet,
        ),
        photo=shown.photo,
        box=shown.box,
        measured=shown.measured,
        note=_note(item, state, counted),
        heat=shown.heat if state != CUES[item.cue].genuine_state else None,
    )


def _strongest(item: _SeenCue, state: int) -> CueReading:
    """The reading that shows the named state best; ties go by photo and place, not by order."""

    def strength(reading: CueReading) -> tuple[float, str, tuple[float, ...]]:
        box = reading.box.xyxy if reading.box is not None else ()
        return float(reading_vector(reading, item.table.states)[state]), reading.photo or "", box

    return max(item.readings, key=strength)


def _note(item: _SeenCue, state: str, counted: float) -> str | None:
    """Why the number is not what the shares alone would give."""
    notes = []
    if state in item.table.notes:
        notes.append(f"weight set by hand: {item.table.notes[state]}")
    if counted != item.log10_lr:
        notes.append("counted in part, as it moves together with a stronger sign")
    if (doubt := item.doubt) is not None:
        notes.append(doubt_note(doubt.seen, doubt.departing, doubt.usual_share, doubt.too_many))
    return "; ".join(notes) or None
