"""EXIF and XMP carried from the reference to the results, checked with a reader that is not ours."""

from __future__ import annotations

import io

import exifread
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from lampwalk import metadata, profiles
from lampwalk.metadata import Exif, Field, Metadata


def camera_exif(order: str = "<") -> bytes:
    """What a camera would write, by Pillow, with a thumbnail, a maker note and a place."""
    exif = Image.Exif()
    exif.endian = order
    exif.update(
        {
            271: "Maker",
            272: "Camera 1",
            274: 6,
            305: "Firmware 2",
            306: "2024:10:12 18:00:03",
            33432: "(c) Author",
        }
    )
    exif.get_ifd(0x8769).update(
        {33434: IFDRational(1, 125), 33437: IFDRational(28, 10), 34855: 200, 36867: "2024:10:12 18:00:00",
         36881: "+02:00", 37385: 1, 37386: IFDRational(35), 37500: b"secret note", 37521: "25",
         40962: 6000, 40963: 4000, 42036: "Lens 35"}
    )  # fmt: skip
    exif.get_ifd(0x8825).update({1: "N", 2: (52.0, 31.0, 12.0)})
    return exif.tobytes()


def read(block: bytes) -> dict[str, str]:
    return {name: str(value) for name, value in exifread.process_file(io.BytesIO(block), details=True).items()}


@pytest.mark.parametrize("order", ["<", ">"])
def test_results_keep_the_exposure_and_lose_what_is_no_longer_true(order):
    made = read(metadata.for_output(Metadata(exif=camera_exif(order)), (3000, 4500)).exif)
    assert made["Image Orientation"] == "Horizontal (normal)"
    assert made["Image Software"].startswith("lampwalk")
    assert (made["EXIF ExifImageWidth"], made["EXIF ExifImageLength"]) == ("4500", "3000")
    kept = {
        "Image Make": "Maker", "Image Model": "Camera 1", "Image DateTime": "2024:10:12 18:00:03",
        "Image Copyright": "(c) Author", "EXIF ExposureTime": "1/125", "EXIF FNumber": "14/5",
        "EXIF ISOSpeedRatings": "200", "EXIF FocalLength": "35",
        "EXIF DateTimeOriginal": "2024:10:12 18:00:00",
        "EXIF SubSecTimeOriginal": "25", "EXIF OffsetTimeOriginal": "+02:00", "EXIF LensModel": "Lens 35",
    }  # fmt: skip
    assert {name: made.get(name) for name in kept} == kept
    assert not any(name.startswith(("GPS", "Thumbnail", "Interop")) or "MakerNote" in name for name in made)


def test_the_place_is_kept_only_where_asked():
    source = Metadata(exif=camera_exif())
    assert b"GPS" not in str(read(metadata.for_output(source, (10, 10)).exif)).encode()
    made = read(metadata.for_output(source, (10, 10), keep_location=True).exif)
    assert made["GPS GPSLatitude"] == "[52, 31, 12]"


def test_without_exif_size_and_program_are_still_said():
    made = read(metadata.for_output(Metadata(), (20, 30)).exif)
    assert made["EXIF ExifImageWidth"] == "30"
    assert made["Image Software"].startswith("lampwalk")


def test_converted_to_srgb_exif_says_so():
    adobe = profiles.make_icc("A", profiles.known("Adobe RGB (1998)").to_xyz, (563 / 256,))
    source = Metadata(exif=camera_exif(), icc=adobe)
    kept = metadata.for_output(source, (20, 30))
    assert (kept.icc, read(kept.exif)["EXIF ColorSpace"]) == (adobe, "Uncalibrated")
    made = metadata.for_output(source, (20, 30), srgb_icc=profiles.srgb_icc())
    assert (made.icc, read(made.exif)["EXIF ColorSpace"]) == (profiles.srgb_icc(), "sRGB")


XMP = (
    b'<x:xmpmeta><rdf:Description exif:GPSLatitude="52,31.2N" tiff:Orientation="6" xmp:Rating="3"'
    b" exif:GPSLongitude='1'>"
    b"<exif:GPSAltitude>30</exif:GPSAltitude><tiff:Orientation>8</tiff:Orientation><dc:title>Slipway</dc:title>"
    b"</rdf:Description></x:xmpmeta>"
)


def test_xmp_loses_the_place_and_the_turn_and_nothing_else():
    made = metadata.for_output(Metadata(xmp=XMP), (20, 30)).xmp
    assert made == (
        b'<x:xmpmeta><rdf:Description tiff:Orientation="1" xmp:Rating="3">'
        b"<tiff:Orientation>1</tiff:Orientation><dc:title>Slipway</dc:title></rdf:Description></x:xmpmeta>"
    )
    assert b"GPSLatitude" in metadata.for_output(Metadata(xmp=XMP), (20, 30), keep_location=True).xmp


@given(st.binary(max_size=300))
def test_damaged_exif_is_passed_over_never_an_error(noise):
    for block in (noise, b"II*\0\x08\0\0\0" + noise, b"MM\0*\0\0\0\x08" + noise, b"II+\0\x08\0\0\0" + noise):
        assert isinstance(metadata.parse(block), Exif)


@given(st.integers(0, 400), st.integers(0, 255))
def test_one_changed_byte_in_exif_is_never_an_error(where, value):
    block = bytearray(camera_exif())
    block[where % len(block)] = value
    made = metadata.for_output(Metadata(exif=bytes(block)), (10, 10))
    assert metadata.parse(made.exif).main[274].data == b"\1\0"


_FIELDS = st.dictionaries(
    st.integers(300, 60000).filter(lambda tag: tag not in (34665, 34853)),
    st.tuples(st.sampled_from([1, 2, 3, 4, 5, 7, 9, 10, 12]), st.integers(1, 9)).flatmap(
        lambda chosen: st.binary(
            min_size=chosen[1] * metadata._SIZES[chosen[0]], max_size=chosen[1] * metadata._SIZES[chosen[0]]
        ).map(lambda data: Field(chosen[0], data))
    ),
    max_size=6,
)


@given(_FIELDS, _FIELDS)
def test_fields_come_back_byte_for_byte(photo, location):
    back = metadata.parse(metadata.serialise(Exif(main={272: metadata.text("C")}, photo=photo, location=location)))
    assert (back.photo, back.location) == (photo, location)


def test_numbers_and_texts_are_read_as_they_are_meant():
    told = metadata.parse(camera_exif(">"))
    assert metadata.number(told.photo, 33434) == 1 / 125
    assert metadata.number(told.photo, 34855) == 200
    assert metadata.number(told.photo, 36867) is None  # a text
    assert metadata.string(told.main, 272) == "Camera 1"
    assert metadata.number({1: Field(5, bytes(8))}, 1) is None  # 0 / 0
    assert metadata.number({1: metadata.rational(1 / 8000)}, 1) == pytest.approx(1 / 8000)
    assert metadata.number({1: metadata.rational(2.8)}, 1) == pytest.approx(2.8)
