"""Listings and photos in. Bad input comes out as `Problem` values that a moderator can read."""

from pipeline.intake.far_photos import FarPhotos, photos_from
from pipeline.intake.fetched import waiting_room
from pipeline.intake.listings import NothingToDo, check_against_sheets, each_listing, read_listings, sheet_problem
from pipeline.intake.photo_bytes import (
    PhotosRoot,
    for_each,
    looked_at,
    read_bytes,
    root_as_text,
    root_from_text,
)
from pipeline.intake.photos import CHANGED, file_sha256, photo_file, photo_header, read_photo

__all__ = [
    "CHANGED",
    "FarPhotos",
    "NothingToDo",
    "PhotosRoot",
    "check_against_sheets",
    "each_listing",
    "file_sha256",
    "for_each",
    "looked_at",
    "photo_file",
    "photo_header",
    "photos_from",
    "read_bytes",
    "read_listings",
    "read_photo",
    "root_as_text",
    "root_from_text",
    "sheet_problem",
    "waiting_room",
]
