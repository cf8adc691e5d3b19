"""Who may come in, and the trail of what was done."""

from __future__ import annotations

from fastapi import APIRouter

router = APIRouter()
