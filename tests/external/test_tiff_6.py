"""TIFF Revision 6.0 (1992): a file written by lampwalk, read here by the words of the specification."""

from __future__ import annotations

import shutil
import struct
import subprocess
import zlib

import numpy as np
import pytest

from lampwalk import encode, metadata, profiles

RNG = np.random.default_rng(7)
PIXELS = (np.cumsum(RNG.integers(0, 900, (150, 90, 3)), axis=1) % 65536).astype(np.uint16)
SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 7: 1}  # section 2, "Types"
BASELINE_RGB = {256, 257, 258, 259, 262, 273, 277, 278, 279, 282, 283, 296}  # section 6, "Baseline TIFF RGB"


def directory(data: bytes, offset: int) -> tuple[dict[int, tuple[int, bytes]], int]:
    assert offset % 2 == 0  # section 2: "The directory ... must begin on a word boundary"
    count = struct.unpack_from("<H", data, offset)[0]
    fields, tags = {}, []
    for index in range(count):
        tag, kind, values, _ = struct.unpack_from("<HHI4s", data, offset + 2 + 12 * index)
        length, where = values * SIZES[kind], offset + 2 + 12 * index + 8
        if length > 4:
            where = struct.unpack_from("<I", data, where)[0]
            assert where % 2 == 0  # section 2: "The Value is expected to begin on a word boundary"
        assert where + length <= len(data)
        fields[tag] = (kind, data[where : where + length])
        tags.append(tag)
    assert tags == sorted(set(tags))  # section 2: "must be sorted in ascending order by Tag"
    return fields, struct.unpack_from("<I", data, offset + 2 + 12 * count)[0]


def numbers(field: tuple[int, bytes]) -> tuple[int, ...]:
    kind, data = field
    return struct.unpack(f"<{len(data) // SIZES[kind]}{ {3: 'H', 4: 'I'}[kind] }", data)


@pytest.fixture(params=["deflate", "none"])
def written(request, tmp_path):
    about = metadata.for_output(metadata.Metadata(icc=profiles.srgb_icc(), xmp=b"<x:xmpmeta/>"), PIXELS.shape[:2])
    path = tmp_path / "a.tif"
    encode.write_tiff(path, PIXELS, icc=about.icc, exif=about.exif, xmp=about.xmp, compression=request.param)
    return path


def test_the_pixels_are_where_the_specification_says(written):
    data = written.read_bytes()
    assert data[:4] == b"II*\0"
    fields, following = directory(data, struct.unpack_from("<I", data, 4)[0])
    assert following == 0
    assert set(fields) >= BASELINE_RGB
    assert (numbers(fields[257])[0], numbers(fields[256])[0]) == PIXELS.shape[:2]
    assert numbers(fields[258]) == (16, 16, 16)
    assert numbers(fields[262]) == (2,)
    rows = numbers(fields[278])[0]
    compression = numbers(fields[259])[0]
    strips = []
    for where, length in zip(numbers(fields[273]), numbers(fields[279]), strict=True):
        packed = data[where : where + length]
        plain = zlib.decompress(packed) if compression == 8 else packed
        strip = np.frombuffer(plain, "<u2").reshape(-1, PIXELS.shape[1], 3)
        if compression == 8:
            assert numbers(fields[317]) == (2,)  # section 14: horizontal differencing
            strip = np.cumsum(strip, axis=1, dtype=np.uint16)
        assert len(strip) <= rows
        strips.append(strip)
    assert np.array_equal(np.concatenate(strips), PIXELS)


def test_the_exif_directory_hangs_where_exif_asks(written):
    """EXIF 2.32, 4.6.3: the pointer is tag 34665, of type LONG, to a directory built like any other."""
    data = written.read_bytes()
    fields, _ = directory(data, struct.unpack_from("<I", data, 4)[0])
    assert fields[34665][0] == 4
    photo, following = directory(data, numbers(fields[34665])[0])
    assert following == 0
    assert photo[36864] == (7, b"0232")
    assert 40962 not in photo  # table 18: the size is recorded in compressed files only
    assert numbers(photo[40961]) == (1,)  # sRGB
    assert fields[34675] == (7, profiles.srgb_icc())  # ICC.1:2022, annex B.4: UNDEFINED
    assert fields[700] == (1, b"<x:xmpmeta/>")  # XMP Part 3, 1.1.4: BYTE


@pytest.mark.skipif(shutil.which("tiffinfo") is None, reason="libtiff's tools are not installed here")
def test_libtiffs_tool_has_nothing_to_say(written):
    run = subprocess.run(["tiffinfo", "-D", str(written)], capture_output=True, text=True, check=False)
    assert run.returncode == 0
    assert run.stderr == ""
