"""The analyst's view."""

from __future__ import annotations

from fastapi import APIRouter

router = APIRouter()
