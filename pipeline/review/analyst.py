"""The analyst's view: how good the signs are by what people decided, and the tables to take away."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

from fastapi import APIRouter, HTTPException, Request, Response
from sqlalchemy.orm import Session as DbSession

from pipeline.records import figures, queue
from pipeline.records.agreement import read_agreement
from pipeline.records.drift import read_drift
from pipeline.records.random_looks import read_whole_nights
from pipeline.records.tables import WorthALabel
from pipeline.records.worth_a_label import read_offers
from pipeline.review import pictures
from pipeline.review.desk import photo_of, picture_answer
from pipeline.review.seat import InRoom, RowId, Seated, answer_page, may
from pipeline.review.tables_out import as_csv, as_parquet

router = APIRouter()
_Rows = Callable[[DbSession], Iterator[Mapping[str, Any]]]
_EXPORTS: Mapping[str, tuple[_Rows, Sequence[str]]] = {
    "decisions": (
        figures.decisions_to_export,
        (
            "listing_id", "seller_id", "maker", "style_number", "probability", "choice", "look", "round", "cues",
            "words", "by", "at", "taken_back_at", "stands_at", "model", "rules",
        ),
    ),
    "corrections": (
        figures.corrections_to_export,
        ("listing_id", "cue", "read_as", "truly", "part", "photo_sha256", "box", "true_box", "by", "at"),
    ),
    "messages": (figures.messages_to_export, ("listing_id", "seller_id", "views", "message", "by", "at")),
}  # fmt: skip
_FORMATS = {"csv": (as_csv, "text/csv; charset=utf-8"), "parquet": (as_parquet, "application/vnd.apache.parquet")}
CURVE_WH = (520, 260)
_EDGE = 34
_MOST_POINTS = 400


@router.get("/figures")
def show_figures(request: Request, room: InRoom, seat: Seated) -> Response:
    """The figures."""
    may(lambda role: role.may_analyse, seat)
    with room.records.reading() as db:
        curve = figures.read_capacity(db)
        context = {
            "cue_figures": figures.read_cue_figures(db),
            "corrections": figures.read_corrections(db)[:25],
            "runs": figures.read_run_chances(db),
            "compared": None if room.fitting is None else read_drift(db, room.fitting),
            "agreement": read_agreement(db),
            "counts": queue.count_states(db),
            "made": figures.choices_made(db),
            "held": figures.count_held(db),
            "whole": read_whole_nights(db),
            "offers": read_offers(db),
        }
    more = {
        "has_fitting": room.fitting is not None,
        "curve": _polyline(curve),
        "reviews": curve[-1][0] if curve else 0,
        "half_at": next((reviews for reviews, share in curve if share >= 0.5), None),
    }
    return answer_page(request, room, seat, "figures.html", context | more)


@router.get("/worth/{position}")
def worth_a_label(room: InRoom, seat: Seated, position: RowId) -> Response:
    """A crop that is worth a label."""
    may(lambda role: role.may_analyse, seat)
    with room.records.reading() as db:
        row = db.get(WorthALabel, position)
    if row is None:
        raise HTTPException(404)

    def make() -> bytes | None:
        whole = photo_of(room, row.photo)
        return None if whole is None else pictures.cropped(whole, row.box)

    name = "worth/{}/{}".format(row.photo, ",".join(f"{side:g}" for side in row.box))
    return picture_answer(room.gallery.picture(name, make))


@router.get("/export/{name}.{kind}")
def export(room: InRoom, seat: Seated, name: str, kind: str) -> Response:
    """A table as a file."""
    may(lambda role: role.may_analyse, seat)
    if name not in _EXPORTS or kind not in _FORMATS:
        raise HTTPException(404)
    rows, columns = _EXPORTS[name]
    write, media_type = _FORMATS[kind]
    with room.records.reading() as db:
        made = write(rows(db), columns)
    return Response(
        made, media_type=media_type, headers={"Content-Disposition": f'attachment; filename="{name}.{kind}"'}
    )


def _polyline(curve: Sequence[tuple[int, float]]) -> str:
    """The capacity curve as points of an SVG line, `CURVE_WH`."""
    if not curve:
        return ""
    width, height = CURVE_WH[0] - 2 * _EDGE, CURVE_WH[1] - 2 * _EDGE
    step = max(1, len(curve) // _MOST_POINTS)
    shown = [*curve[::step], curve[-1]]
    most = curve[-1][0]
    return " ".join(f"{_EDGE + width * n / most:.1f},{_EDGE + height * (1 - share):.1f}" for n, share in shown)
