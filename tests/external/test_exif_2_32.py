"""EXIF 2.32 (CIPA DC-008-2019): types and counts of the fields written (tables 4, 7, 8), meaning of Flash."""

from __future__ import annotations

import json
import shutil
import subprocess

import numpy as np
import pytest
from PIL import Image

from lampwalk import encode, files, metadata, profiles

# tag: (name, allowed types, count or None); 1 BYTE, 2 ASCII, 3 SHORT, 4 LONG, 5 RATIONAL, 7 UNDEFINED
TABLE = {
    36864: ("ExifVersion", {7}, 4),
    40960: ("FlashpixVersion", {7}, 4),
    40961: ("ColorSpace", {3}, 1),
    40962: ("PixelXDimension", {3, 4}, 1),
    40963: ("PixelYDimension", {3, 4}, 1),
    33434: ("ExposureTime", {5}, 1),
    33437: ("FNumber", {5}, 1),
    34855: ("PhotographicSensitivity", {3}, None),
    36867: ("DateTimeOriginal", {2}, 20),
    37385: ("Flash", {3}, 1),
}

# 4.6.6.5, Flash: bit 0 tells whether it fired; the values printed in the table, and whether the flash fired
FLASH = {
    0x00: False,
    0x01: True,
    0x05: True,
    0x07: True,
    0x09: True,
    0x0D: True,
    0x0F: True,
    0x10: False,
    0x18: False,
    0x19: True,
    0x1D: True,
    0x1F: True,
    0x20: False,
    0x41: True,
    0x45: True,
    0x47: True,
    0x49: True,
    0x4D: True,
    0x4F: True,
    0x59: True,
    0x5D: True,
    0x5F: True,
}

SOURCE = metadata.Exif(
    main={272: metadata.text("Camera 1"), 274: metadata.short(6)},
    photo={
        33434: metadata.rational(1 / 125), 33437: metadata.rational(8), 34855: metadata.short(100),
        36867: metadata.text("2024:10:12 18:00:00"), 37385: metadata.short(1),
    },
    location={1: metadata.text("N"), 2: metadata.rational(52)},
)  # fmt: skip


def test_fields_have_the_types_and_counts_of_the_tables():
    made = metadata.parse(metadata.for_output(metadata.Metadata(exif=metadata.serialise(SOURCE)), (300, 400)).exif)
    assert set(TABLE) <= set(made.photo)
    for tag, (name, kinds, count) in TABLE.items():
        assert made.photo[tag].kind in kinds, name
        assert count in (None, made.photo[tag].count), name
    assert made.main[274] == metadata.short(1)  # table 4: SHORT, 1 = row 0 is the top
    assert made.location == {}


@pytest.mark.parametrize(("value", "fired"), FLASH.items())
def test_the_flash_field_is_understood(value, fired, tmp_path):
    exif = Image.Exif()
    exif.get_ifd(0x8769)[37385] = value
    Image.fromarray(np.zeros((16, 16, 3), np.uint8)).save(tmp_path / "a.jpg", exif=exif)
    assert files.read_facts(tmp_path / "a.jpg").flash_fired is fired


@pytest.mark.skipif(shutil.which("exiftool") is None, reason="exiftool is not installed here")
@pytest.mark.parametrize("name", ["a.tif", "a.jpg", "a.png"])
def test_exiftool_reads_the_same_and_warns_of_nothing(name, tmp_path):
    about = metadata.for_output(metadata.Metadata(exif=metadata.serialise(SOURCE), icc=profiles.srgb_icc()), (32, 48))
    write = {"a.tif": encode.write_tiff, "a.jpg": encode.write_jpeg, "a.png": encode.write_png}[name]
    write(tmp_path / name, np.zeros((32, 48, 3), np.uint8), exif=about.exif, icc=about.icc)
    run = subprocess.run(
        ["exiftool", "-json", "-n", "-validate", "-warning", "-a", str(tmp_path / name)],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    told = json.loads(run.stdout)[0].get("Warning", [])
    # EXIF allows no compression in TIFF; Deflate is a later addition to TIFF that every reader has.
    allowed = "Invalid value for IFD0 tag 0x0103 Compression"
    assert [word for word in ([told] if isinstance(told, str) else told) if word != allowed] == []
