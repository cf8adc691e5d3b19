"""The page over a small run: three listings of two sellers with drawn photos, taken in as `scan` leaves them."""

from __future__ import annotations

import hashlib
import re
import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from argon2 import PasswordHasher
from fastapi.testclient import TestClient
from PIL import Image

from pipeline import store
from pipeline.domain import (
    Assessment,
    Box,
    CueReading,
    FoundPart,
    Listing,
    PartName,
    PartReading,
    PhotoRequest,
    Reason,
)
from pipeline.records import people
from pipeline.records.database import Store
from pipeline.records.house import House
from pipeline.records.tables import Run
from pipeline.records.take_in import take_in
from pipeline.records.words import Role
from pipeline.review import create_app
from tests.records.inventing import NOW, PASSWORD

NASTY = '<script>alert("x")</script> =cmd|calc <img src=x onerror=alert(1)>'
HOST = "http://testserver"


def write_photo(path: Path, seed: int) -> None:
    """A photo of noise with EXIF that says where it was taken."""
    path.parent.mkdir(parents=True, exist_ok=True)
    exif = Image.Exif()
    exif[0x010F] = "SECRETCAMERA"
    exif.get_ifd(0x8825)[1] = "N"
    exif.get_ifd(0x8825)[2] = (52.0, 31.0, 12.0)
    pixels = np.random.default_rng(seed).integers(0, 255, (60, 80, 3), np.uint8)
    Image.fromarray(pixels).resize((800, 600)).save(path, "JPEG", exif=exif)


def the_listings() -> list[Listing]:
    common = {"listed_at": "2026-03-01T20:00:00", "maker": "quillmere", "style_number": "QM-21", "waist_in": 30}
    return [
        Listing("L/1", "s1", title="Harbour QM-21", description=NASTY, price_eur=12.5, photos=("p/1.jpg",), **common),
        Listing("L2", "s2", title="Mole", price_eur=80.0, photos=("p/2.jpg", "p/gone.jpg"), **common),
        Listing("L3", "s2", title="Quay", price_eur=70.0, photos=("p/1.jpg",), **common),
    ]


def the_run(run_dir: Path) -> None:
    box = Box(100, 100, 200, 150)
    reasons = (
        Reason(
            "tab_word",
            "wrong",
            0.9,
            2.5,
            "Another word on the tab. Speaks very strongly for a closer look.",
            "p/1.jpg",
            box,
        ),
        Reason("style_agrees", "no", 0.9, 1.2, "Printed style differs from the stated one.", "p/1.jpg", box),
        Reason("zip_mark", "own", 0.9, -0.5, "Zip carries the maker's own name.", None, None),
    )
    asked = (PhotoRequest("label", ("label_ground",), 0.1, "Could you please?"),)
    queue = [
        Assessment("L/1", 3.2, 0.97, reasons, ("code_match",), asked),
        Assessment("L2", 0.1, 0.25),
        Assessment("L3", -1.0, 0.02),
    ]
    tab = FoundPart("p/1.jpg", PartName.TAB, box, 0.9)
    parts = [
        PartReading(tab, (CueReading("tab_word", {"full": 0.05, "mark_only": 0.0, "cut_short": 0.05, "wrong": 0.9}),))
    ]
    store.write_run(run_dir, queue, parts, [], store.RunAbout("listings.jsonl", "m1", "r1"))


@cache
def photo_hash(seed: int) -> str:
    """The SHA-256 of `write_photo`'s file, as its photo is called on the page."""
    with tempfile.TemporaryDirectory() as folder:
        write_photo(Path(folder) / "photo.jpg", seed)
        return hashlib.sha256((Path(folder) / "photo.jpg").read_bytes()).hexdigest()


@dataclass
class Browser:
    """Somebody's browser: follows links, sends forms with their token."""

    client: TestClient
    form_token: str = ""

    def get(self, path, **more):
        return self.client.get(path, **more)

    def post(self, path, data=None, **more):
        return self.client.post(path, data={"form_token": self.form_token, **(data or {})}, **more)

    def sign_in(self, name, password=PASSWORD):
        door = re.search(r'name="door" value="([^"]+)"', self.get("/enter").text)[1]
        answer = self.client.post("/enter", data={"name": name, "password": password, "door": door})
        token = re.search(r'name="form_token" value="([^"]+)"', answer.text)
        self.form_token = token[1] if token else ""
        return answer


@dataclass
class Page:
    """The application with its records."""

    app: object
    records: Store
    run_dir: Path

    def browser(self) -> Browser:
        return Browser(TestClient(self.app, base_url=HOST))

    def as_somebody(self, name: str, role: Role = Role.MODERATOR) -> Browser:
        with self.records.writing() as db:
            people.accept(db, NOW_REAL(), people.invite(db, House(), NOW_REAL(), role, None), name, PASSWORD)
        browser = self.browser()
        assert browser.sign_in(name).status_code == 200
        return browser


def NOW_REAL():
    from pipeline.review.seat import now

    return now()


@pytest.fixture(scope="session")
def taken_in(tmp_path_factory) -> Path:
    """A folder with photos, run and database, to be copied."""
    folder = tmp_path_factory.mktemp("taken_in")
    write_photo(folder / "p/1.jpg", 1)
    write_photo(folder / "p/2.jpg", 2)
    the_run(folder / "run")
    records = Store(f"sqlite:///{folder / 'records.db'}")
    take_in(records, folder / "run", {one.listing_id: one for one in the_listings()}, folder, NOW)
    records.close()
    return folder


@pytest.fixture
def page(tmp_path, monkeypatch, taken_in) -> Iterator[Page]:
    people._nobodys_hash.cache_clear()
    monkeypatch.setattr(people, "_HASHER", PasswordHasher(time_cost=1, memory_cost=8, parallelism=1))
    shutil.copytree(taken_in, tmp_path, dirs_exist_ok=True)
    records = Store(f"sqlite:///{tmp_path / 'records.db'}")
    with records.writing() as db:
        db.query(Run).one().photos_root = str(tmp_path)
    references = Path(__file__).resolve().parents[2] / "references"
    app = create_app(records, House(second_share=0.0), references, ["testserver"])
    yield Page(app, records, tmp_path / "run")
    records.close()


@pytest.fixture
def ann(page) -> Browser:
    """A moderator, signed in."""
    return page.as_somebody("ann")
