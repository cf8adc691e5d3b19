"""Listings and photos in. Bad input comes out as `Problem` values that a moderator can read."""

from pipeline.intake.listings import NothingToDo, check_against_sheets, each_listing, read_listings, sheet_problem
from pipeline.intake.photos import CHANGED, file_sha256, photo_header, photo_sha256, read_photo

__all__ = [
    "CHANGED",
    "NothingToDo",
    "check_against_sheets",
    "each_listing",
    "file_sha256",
    "photo_header",
    "photo_sha256",
    "read_listings",
    "read_photo",
    "sheet_problem",
]
