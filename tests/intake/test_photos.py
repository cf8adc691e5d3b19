from __future__ import annotations

import io
import struct
import zlib
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageOps

from pipeline.domain import Photo, Problem
from pipeline.intake import CHANGED, photo_file, photo_header, read_photo
from pipeline.intake import photos as photos_module
from pipeline.intake._headers import FileHeader

FORMATS = ("JPEG", "PNG", "WEBP")


def a_picture(width: int = 96, height: int = 64) -> Image.Image:
    """A slope of colour with a bright corner, so that every turning of it looks different."""
    x, y = np.meshgrid(np.linspace(0, 255, width), np.linspace(0, 255, height))
    pixels = np.stack([x, y, np.full_like(x, 90)], axis=-1)
    pixels[: height // 4, : width // 4] = (250, 240, 20)
    return Image.fromarray(pixels.astype(np.uint8))


def encoded(image: Image.Image, form: str, **options: object) -> bytes:
    file = io.BytesIO()
    image.save(file, form, **({"lossless": True} if form == "WEBP" else {}) | options)
    return file.getvalue()


def read(folder: Path, data: bytes) -> Photo | Problem:
    (folder / "photo").write_bytes(data)
    return read_photo(folder, "photo")


def pixels_of(answer: Photo | Problem) -> np.ndarray:
    assert isinstance(answer, Photo), answer
    assert answer.pixels.dtype == np.uint8
    return answer.pixels.astype(int)


@pytest.mark.parametrize("form", FORMATS)
@pytest.mark.parametrize("orientation", range(1, 9))
def test_every_exif_orientation_stands_upright_as_pillow_has_it(tmp_path, form, orientation):
    exif = Image.Exif()
    exif[0x0112] = orientation
    data = encoded(a_picture(), form, exif=exif)
    with Image.open(io.BytesIO(data)) as image:
        expected = np.asarray(ImageOps.exif_transpose(image).convert("RGB")).astype(int)
    got = pixels_of(read(tmp_path, data))
    assert got.shape == expected.shape
    assert np.abs(got - expected).max() <= 2
    header = photo_header(tmp_path, "photo")
    assert header.upright_wh == (got.shape[1], got.shape[0])
    assert (header.format, header.orientation) == (form.lower(), orientation)


@pytest.mark.parametrize("form", FORMATS)
@pytest.mark.parametrize("part", [0.05, 0.4, 0.9, 0.995])
def test_a_truncated_file_is_a_problem_and_prints_nothing(tmp_path, capfd, form, part):
    rng = np.random.default_rng(0)
    data = encoded(Image.fromarray(rng.integers(0, 255, (200, 300, 3), dtype=np.uint8)), form)
    answer = read(tmp_path, data[: int(len(data) * part)])
    assert isinstance(answer, Problem)
    assert "cut off" in answer.reason
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("form", FORMATS)
def test_even_the_last_two_bytes_are_missed(tmp_path, form):
    data = encoded(a_picture(), form)
    assert "cut off" in read(tmp_path, data[:-2]).reason


def test_a_truncated_photo_with_a_whole_preview_inside_is_still_found_truncated(tmp_path):
    exif = Image.Exif()
    exif[0x010E] = "x" * 50
    preview = encoded(a_picture(40, 40), "JPEG")
    data = encoded(a_picture(400, 300), "JPEG", quality=95)
    with_preview = data[:2] + b"\xff\xe2" + struct.pack(">H", len(preview) + 2) + preview + data[2:]
    assert isinstance(read(tmp_path, with_preview), Photo)
    assert "cut off" in read(tmp_path, with_preview[:-200]).reason


def test_what_a_camera_appends_after_the_end_is_no_problem(tmp_path):
    assert isinstance(read(tmp_path, encoded(a_picture(), "JPEG") + b"\0" * 4096 + b"extra"), Photo)


@pytest.mark.parametrize(
    ("data", "word"),
    [
        (b"", "empty"),
        (b"%PDF-1.4 whatever", "not a JPEG, PNG or WebP"),
        (b"GIF89a" + b"\0" * 50, "not a JPEG, PNG or WebP"),
        (b"\xff\xd8\xff", "cut off"),
        (b"\xff\xd8\xffrubbish rubbish rubbish rubbish", "not a JPEG|cut off"),
        (b"RIFF\x10\0\0\0WEBPABCD\x04\0\0\0abcd", "not a JPEG, PNG or WebP"),
    ],
    ids=["zero bytes", "pdf", "gif", "three bytes", "rubbish", "webp without picture"],
)
def test_what_is_no_photo_is_a_problem(tmp_path, data, word):
    answer = read(tmp_path, data)
    assert isinstance(answer, Problem)
    assert any(one in answer.reason for one in word.split("|"))
    assert answer.photo == "photo"


def png_header_only(width: int, height: int) -> bytes:
    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    ihdr = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", ihdr) + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")


def test_a_hundred_megapixels_are_refused_without_decoding(tmp_path, monkeypatch):
    monkeypatch.setattr(photos_module, "_decode", lambda *_: pytest.fail("was decoded"))
    answer = read(tmp_path, png_header_only(10_000, 10_000))
    assert answer.reason == "the photo has 100 megapixels, over the limit of 60"
    jpeg = bytearray(encoded(a_picture(), "JPEG"))
    at = jpeg.index(b"\xff\xc0")
    jpeg[at + 5 : at + 9] = struct.pack(">HH", 60_000, 60_000)
    assert "3600 megapixels" in read(tmp_path, bytes(jpeg)).reason


def test_a_photo_too_small_to_judge_is_a_problem(tmp_path):
    assert "too small" in read(tmp_path, encoded(a_picture(200, 20), "PNG")).reason
    assert "too small" in read(tmp_path, png_header_only(0, 100)).reason


def test_damaged_content_in_a_whole_file_is_a_problem(tmp_path):
    assert "damaged" in read(tmp_path, png_header_only(100, 100)).reason


@pytest.mark.parametrize("mode", ["L", "CMYK"])
def test_grey_and_cmyk_jpegs_come_out_as_rgb(tmp_path, mode):
    data = encoded(a_picture().convert(mode), "JPEG", quality=95)
    with Image.open(io.BytesIO(data)) as image:
        expected = np.asarray(image.convert("RGB")).astype(int)
    assert np.abs(pixels_of(read(tmp_path, data)) - expected).max() <= 3


@pytest.mark.parametrize("form", ["PNG", "WEBP"])
def test_transparent_becomes_white_not_black(tmp_path, form):
    image = a_picture().convert("RGBA")
    image.paste((0, 0, 0, 0), (0, 0, 48, 64))
    got = pixels_of(read(tmp_path, encoded(image, form, **({"exact": True} if form == "WEBP" else {}))))
    assert got.shape == (64, 96, 3)
    assert (got[:, :48] == 255).all()
    assert np.array_equal(got[:, 48:], np.asarray(a_picture())[:, 48:])


def test_palette_and_one_bit_pngs_come_out_as_rgb(tmp_path):
    palette = a_picture().quantize(16)
    assert np.array_equal(pixels_of(read(tmp_path, encoded(palette, "PNG"))), np.asarray(palette.convert("RGB")))
    one_bit = a_picture().convert("1")
    assert np.array_equal(pixels_of(read(tmp_path, encoded(one_bit, "PNG"))), np.asarray(one_bit.convert("RGB")))


def test_sixteen_bits_are_scaled_to_eight_not_clipped(tmp_path):
    ramp = np.tile(np.linspace(0, 65535, 96).astype(np.uint16), (64, 1))
    got = pixels_of(read(tmp_path, encoded(Image.fromarray(ramp), "PNG")))
    assert got.shape == (64, 96, 3)
    assert np.abs(got[..., 0] - ramp / 257).max() <= 1


def test_a_progressive_jpeg_and_a_lossy_webp_read_like_pillow(tmp_path):
    for data in (encoded(a_picture(), "JPEG", progressive=True), encoded(a_picture(), "WEBP", lossless=False)):
        with Image.open(io.BytesIO(data)) as image:
            expected = np.asarray(image.convert("RGB")).astype(int)
        assert np.abs(pixels_of(read(tmp_path, data)) - expected).max() <= 4


@pytest.mark.parametrize(
    "path", ["../outside.png", "/etc/hostname", "sub/../../outside.png", "link.png", "linked/outside.png"]
)
def test_a_path_that_leaves_the_folder_is_not_opened(tmp_path, path):
    folder = tmp_path / "night"
    (folder / "sub").mkdir(parents=True)
    (tmp_path / "outside.png").write_bytes(encoded(a_picture(), "PNG"))
    (folder / "link.png").symlink_to(tmp_path / "outside.png")
    (folder / "linked").symlink_to(tmp_path)
    answer = read_photo(folder, path)
    assert isinstance(answer, Problem)
    assert "leads out of the listings' folder" in answer.reason


def test_a_link_that_stays_inside_is_followed(tmp_path):
    (tmp_path / "a.png").write_bytes(encoded(a_picture(), "PNG"))
    (tmp_path / "b.png").symlink_to("a.png")
    assert isinstance(read_photo(tmp_path, "b.png"), Photo)


def test_what_cannot_be_opened_is_a_problem_not_a_crash(tmp_path):
    (tmp_path / "loop").symlink_to("loop")
    (tmp_path / "folder").mkdir()
    for path in ("missing.jpg", "folder", "loop", "a\0b.jpg", "x" * 5000, ""):
        assert isinstance(read_photo(tmp_path, path), Problem), path


def test_where_a_photo_was_taken_has_no_place_in_what_is_kept():
    assert {field.name for field in fields(Photo)} == {"path", "pixels"}
    assert {field.name for field in fields(FileHeader)} == {"format", "stored_wh", "orientation", "is_plain"}


def test_a_file_that_was_changed_since_it_was_looked_up_is_not_taken_for_the_earlier_one(tmp_path):
    (tmp_path / "photo").write_bytes(encoded(a_picture(), "JPEG"))
    before = photo_file(tmp_path, "photo").sha256
    assert isinstance(read_photo(tmp_path, "photo", before), Photo)
    (tmp_path / "photo").write_bytes(encoded(a_picture(80, 60), "JPEG"))
    assert read_photo(tmp_path, "photo", before) == Problem(CHANGED, photo="photo")


def test_a_picture_for_which_there_is_no_memory_is_not_called_damaged(tmp_path, monkeypatch):
    def no_room(*_):
        err = photos_module.cv2.error("Insufficient memory")
        err.code = photos_module.cv2.Error.StsNoMem
        raise err

    monkeypatch.setattr(photos_module.cv2, "imdecode", no_room)
    with pytest.raises(MemoryError):
        read(tmp_path, encoded(a_picture(), "JPEG"))
