"""Listings and photos in. Bad input comes out as `Problem` values that a moderator can read."""

from pipeline.intake.listings import NothingToDo, check_against_sheets, read_listings
from pipeline.intake.photos import photo_header, read_photo

__all__ = ["NothingToDo", "check_against_sheets", "photo_header", "read_listings", "read_photo"]
