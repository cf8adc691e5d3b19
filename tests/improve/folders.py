"""Small labelled folders of noise photos, for tests of what is done with labels."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
from PIL import Image

from pipeline.domain import PartName

CATEGORIES = {part: number for number, part in enumerate(PartName, 1)}


def write_folder(folder: Path, rows: list[dict], seed: int = 0) -> Path:
    """A labelled folder.

    A row: `listing_id`, `seller_id`, `cues` (of the one tab or other `part` on its one photo), perhaps `truth`,
    `counterfeit`, `photo_seed` (the same seed draws the same photo), `box`.
    """
    (folder / "photos").mkdir(parents=True)
    listings, truth, images, annotations = [], [], [], []
    for number, row in enumerate(rows, 1):
        name = f"photos/{row['listing_id']}.jpg"
        write_photo(folder / name, row.get("photo_seed", seed * 1000 + number))
        listings.append(
            {"listing_id": row["listing_id"], "seller_id": row["seller_id"], "listed_at": "2026-03-01T20:00:00",
             "maker": "quillmere", "style_number": "QM-21", "photos": [name]}
        )  # fmt: skip
        cues = row.get("cues", {})
        truth.append(
            {"listing_id": row["listing_id"], "counterfeit": row.get("counterfeit", False),
             "cues": row.get("truth", cues)}
        )  # fmt: skip
        images.append({"id": number, "file_name": name, "width": 320, "height": 240})
        box = row.get("box", [60, 50, 120, 90])
        part = CATEGORIES[PartName(row.get("part", "tab"))]
        annotations.append(
            {"id": number, "image_id": number, "category_id": part, "bbox": box, "area": 1, "iscrowd": 0,
             "attributes": cues}
        )  # fmt: skip
    categories = [{"id": number, "name": part.value} for part, number in CATEGORIES.items()]
    coco = {"images": images, "annotations": annotations, "categories": categories}
    (folder / "parts.coco.json").write_text(json.dumps(coco))
    for name, lines in (("listings", listings), ("truth", truth)):
        (folder / f"{name}.jsonl").write_text("".join(json.dumps(line) + "\n" for line in lines))
    return folder


def write_photo(path: Path, seed: int) -> None:
    """Blocks of colour with corners to know it by."""
    rng = np.random.default_rng(seed)
    small = rng.integers(0, 255, (24, 32, 3), np.uint8)
    Image.fromarray(small).resize((320, 240), Image.Resampling.NEAREST).save(path, "JPEG", quality=92)
