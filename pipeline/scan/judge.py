"""What a photo is judged by, as a short name that changes when a photo might be judged otherwise."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path

from pipeline import __version__
from pipeline.config import ReferenceSheet

_DIGITS = 24


def judges_of(models_dir: Path, sheets: Mapping[str, ReferenceSheet]) -> dict[str, str]:
    """By maker, the name of its judge: the networks (a card names its weights by checksum), the sheet, the program.

    Evidence and prior are not part of it: they weigh what was seen.
    """
    networks = hashlib.sha256(__version__.encode())
    for card in sorted(models_dir.glob("*.yaml")):
        networks.update(card.name.encode() + b"\0" + card.read_bytes() + b"\0")
    names = {}
    for maker, sheet in sheets.items():
        digest = networks.copy()
        digest.update(f"{maker}\0{sheet.model_dump_json()}".encode())
        names[maker] = digest.hexdigest()[:_DIGITS]
    return names
