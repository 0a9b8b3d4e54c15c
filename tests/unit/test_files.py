"""What a file says of itself, and turning it upright."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import pytest
import tifffile
from PIL import Image, ImageOps
from PIL.TiffImagePlugin import IFDRational

from files.samples import png_header_only
from lampwalk import decode, encode, files, profiles
from lampwalk.errors import FrameError

PIXELS = np.random.default_rng(1).integers(0, 255, (20, 30, 3), np.uint8)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_turned_file_is_read_as_a_viewer_shows_it(orientation, tmp_path):
    """Against Pillow's own reading of EXIF 2.32, 4.6.4, Orientation."""
    exif = Image.Exif()
    exif[274] = orientation
    for name in ("a.png", "a.tif"):
        path = tmp_path / name
        Image.fromarray(PIXELS).save(path, exif=exif)
        with Image.open(path) as image:
            seen = np.asarray(ImageOps.exif_transpose(image))
        facts = files.read_facts(path)
        assert facts.orientation == orientation
        assert (facts.height, facts.width) == seen.shape[:2]
        assert np.array_equal(files.read_pixels(path, facts.orientation), seen)


@pytest.mark.parametrize("value", [0, 9, 65535])
def test_an_impossible_orientation_counts_as_upright(value, tmp_path):
    exif = Image.Exif()
    exif[274] = value
    Image.fromarray(PIXELS).save(tmp_path / "a.jpg", exif=exif)
    assert files.read_facts(tmp_path / "a.jpg").orientation == 1


@pytest.mark.parametrize("name", ["a.jpg", "a.png", "a.tif"])
def test_the_facts_of_an_exposure_are_read(name, tmp_path):
    exif = Image.Exif()
    exif[272] = "Camera 1"
    exif.get_ifd(0x8769).update(
        {33434: IFDRational(1, 125), 33437: IFDRational(28, 10), 34855: 200, 36867: "2024:10:12 18:00:00",
         36881: "+02:00", 37385: 1, 37386: IFDRational(35), 37521: "250", 42036: "Lens 35"}
    )  # fmt: skip
    icc = profiles.srgb_icc()
    if name.endswith(".tif"):  # Pillow writes no Exif IFD into TIFF
        encode.write_tiff(tmp_path / name, PIXELS, icc=icc, exif=exif.tobytes())
    else:
        Image.fromarray(PIXELS).save(tmp_path / name, exif=exif, icc_profile=icc)
    facts = files.read_facts(tmp_path / name)
    assert facts.captured_at == datetime(2024, 10, 12, 18, 0, 0, 250_000)
    assert facts.utc_offset == "+02:00"
    assert (facts.exposure_s, facts.f_number, facts.iso, facts.focal_mm) == (1 / 125, 2.8, 200, 35)
    assert facts.flash_fired is True
    assert (facts.camera, facts.lens) == ("Camera 1", "Lens 35")
    assert (facts.icc, facts.bits, facts.grey, facts.findings) == (icc, 8, False, ())


def test_a_file_that_says_nothing_gives_none(tmp_path):
    Image.fromarray(PIXELS).save(tmp_path / "a.png")
    facts = files.read_facts(tmp_path / "a.png")
    assert facts.captured_at is None
    assert facts.exposure_s is None
    assert facts.flash_fired is None
    assert (facts.icc, facts.exif, facts.xmp, facts.camera) == (None, None, None, "")


@pytest.mark.parametrize("text", ["", "0000:00:00 00:00:00", "    :  :     :  :  ", "yesterday"])
def test_a_clock_that_was_never_set_is_no_time(text, tmp_path):
    exif = Image.Exif()
    exif.get_ifd(0x8769)[36867] = text
    Image.fromarray(PIXELS).save(tmp_path / "a.jpg", exif=exif)
    assert files.read_facts(tmp_path / "a.jpg").captured_at is None


def test_a_huge_header_is_refused_before_memory_is_taken(tmp_path, monkeypatch):
    path = tmp_path / "a.png"
    path.write_bytes(png_header_only(30_000, 30_000))

    def decoded(*_args):
        raise AssertionError("decoding was tried")

    monkeypatch.setattr("cv2.imdecode", decoded)
    for read in (files.read_facts, files.read_pixels):
        with pytest.raises(FrameError, match="500 megapixels"):
            read(path)


def test_a_chunk_that_claims_gigabytes_is_refused_before_memory_is_taken(tmp_path, monkeypatch):
    path = tmp_path / "a.png"
    Image.fromarray(PIXELS).save(path)
    data = bytearray(path.read_bytes())
    where = data.index(b"IDAT")
    data[where - 4 : where] = b"\xfa\0\0\0"
    path.write_bytes(data)

    def decoded(*_args):
        raise AssertionError("decoding was tried")

    monkeypatch.setattr("cv2.imdecode", decoded)
    with pytest.raises(FrameError, match="damaged or cut short"):
        files.read_pixels(path)


def test_a_large_picture_that_is_allowed_gives_no_warning(tmp_path):
    path = tmp_path / "a.png"
    path.write_bytes(png_header_only(20_000, 20_000))  # Pillow would warn from 90 megapixels, and refuse from 179
    assert files.read_facts(path).width == 20_000
    assert Image.MAX_IMAGE_PIXELS is not None


def test_reading_deflate_takes_the_memory_of_one_picture(tmp_path):
    import tracemalloc

    pixels = np.zeros((600, 900, 3), np.uint16)
    tifffile.imwrite(tmp_path / "a.tif", pixels, photometric="rgb", compression="zlib", rowsperstrip=64)
    decode.read_pixels(tmp_path / "a.tif")  # modules loaded
    tracemalloc.start()
    decode.read_pixels(tmp_path / "a.tif")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 1.5 * pixels.nbytes


def test_a_folder_and_a_missing_file_are_refused(tmp_path):
    for path in (tmp_path, tmp_path / "gone.jpg"):
        with pytest.raises(FrameError):
            files.read_facts(path)
