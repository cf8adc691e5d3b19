"""A sheet to look at: the listings on top of the queue, each with the crops that put it there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from pipeline.contact_sheet._content import entries_of
from pipeline.contact_sheet._page import page_of
from pipeline.contact_sheet._picture import picture_of
from pipeline.domain import Assessment, Listing
from pipeline.intake import PhotosRoot

__all__ = ["write_contact_sheet"]


def write_contact_sheet(
    out_dir: Path,
    assessments: Sequence[Assessment],
    listings: Mapping[str, Listing],
    photos_root: PhotosRoot,
    top: int = 20,
) -> tuple[Path, Path]:
    """Draw the top of the queue as one picture and as one page that needs no other file.

    Args:
        out_dir: made if absent.
        assessments: most suspicious first.
        listings: by listing_id; one that is missing is shown by its id alone.
        photos_root: where the listings' photos lie.
        top: how many listings to show.

    Returns:
        The picture (`contact_sheet.jpg`, 1600 px wide) and the page (`contact_sheet.html`).
    """
    entries = list(entries_of(assessments[:top], listings, photos_root))
    out_dir.mkdir(parents=True, exist_ok=True)
    picture, page = out_dir / "contact_sheet.jpg", out_dir / "contact_sheet.html"
    picture_of(entries).save(picture, quality=88)
    page.write_text(page_of(entries), encoding="utf-8")
    return picture, page
