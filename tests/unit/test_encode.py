"""Pictures written: the same pixels come back, by readers that are not ours; a file is whole or absent."""

from __future__ import annotations

import io
import struct

import cv2
import exifread
import imageio.v3 as iio
import numpy as np
import pytest
import tifffile
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from lampwalk import encode, files, metadata, profiles
from lampwalk.errors import InputError, OutputError

RNG = np.random.default_rng(5)
PIXELS = (np.cumsum(RNG.integers(0, 900, (150, 90, 3)), axis=1) % 65536).astype(np.uint16)
ICC = profiles.srgb_icc()
XMP = b'<?xpacket begin="" id="W5M0MpCehiHzreSzNTczkc9d"?>'
XMP += b'<x:xmpmeta xmlns:x="adobe:ns:meta/"/><?xpacket end="w"?>'


def carried() -> metadata.Metadata:
    exif = Image.Exif()
    exif.update({271: "Maker", 272: "Camera 1", 315: "A. Author"})
    exif.get_ifd(0x8769).update({33434: IFDRational(1, 125), 33437: IFDRational(8), 36867: "2024:10:12 18:00:00"})
    return metadata.for_output(metadata.Metadata(exif=exif.tobytes(), icc=ICC, xmp=XMP), PIXELS.shape[:2])


@pytest.mark.parametrize("compression", ["deflate", "none"])
@pytest.mark.parametrize("dtype", [np.uint16, np.uint8])
def test_tiff_comes_back_the_same_by_three_readers(compression, dtype, tmp_path):
    pixels = PIXELS.astype(dtype)
    about = carried()
    path = tmp_path / "a.tif"
    encode.write_tiff(path, pixels, icc=about.icc, exif=about.exif, xmp=about.xmp, compression=compression)
    assert np.array_equal(tifffile.imread(path), pixels)
    assert np.array_equal(cv2.imread(str(path), cv2.IMREAD_UNCHANGED)[..., ::-1], pixels)
    assert np.array_equal(files.read_pixels(path), pixels)
    with Image.open(path) as image:
        assert image.info["icc_profile"] == ICC
        assert image.info["xmp"] == XMP
        image.load()  # Pillow reads 16 bits as 8: the pixels prove nothing, the file's structure does


@pytest.mark.parametrize("rows", [1, 63, 64, 65, 128])
def test_any_number_of_rows_fits_the_strips(rows, tmp_path):
    encode.write_tiff(tmp_path / "a.tif", PIXELS[:rows])
    assert np.array_equal(tifffile.imread(tmp_path / "a.tif"), PIXELS[:rows])


def test_a_view_of_a_picture_is_written_as_it_looks(tmp_path):
    encode.write_tiff(tmp_path / "a.tif", PIXELS[::2, ::-1])
    assert np.array_equal(tifffile.imread(tmp_path / "a.tif"), PIXELS[::2, ::-1])


def test_bigtiff_where_needed_has_its_exif_too(tmp_path, monkeypatch):
    monkeypatch.setattr(encode, "CLASSIC_TIFF_BYTES", 1000)
    about = carried()
    path = tmp_path / "a.tif"
    encode.write_tiff(path, PIXELS, icc=about.icc, exif=about.exif)
    assert path.read_bytes()[:4] == b"II+\0"
    with tifffile.TiffFile(path) as tiff:
        assert tiff.is_bigtiff
        assert tiff.pages[0].tags["ExifTag"].value["FNumber"] == (8, 1)
        assert np.array_equal(tiff.asarray(), PIXELS)
    assert files.read_facts(path).f_number == 8


def test_the_same_picture_gives_the_same_bytes(tmp_path):
    about = carried()
    for write in (encode.write_tiff, encode.write_jpeg, encode.write_png):
        for name in ("a", "b"):
            write(tmp_path / name, PIXELS, icc=about.icc, exif=about.exif, xmp=about.xmp)
        assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()


def test_the_number_of_threads_does_not_change_the_bytes(tmp_path, monkeypatch):
    for threads in (1, 5):
        monkeypatch.setattr(encode, "_cores", lambda threads=threads: threads)
        encode.write_tiff(tmp_path / f"{threads}.tif", PIXELS)
    assert (tmp_path / "1.tif").read_bytes() == (tmp_path / "5.tif").read_bytes()


def test_jpeg_is_4_4_4_and_carries_everything(tmp_path):
    about = carried()
    path = tmp_path / "a.jpg"
    smooth = cv2.GaussianBlur(PIXELS, (0, 0), 5)
    encode.write_jpeg(path, smooth, icc=about.icc, exif=about.exif, xmp=about.xmp, quality=97)
    with Image.open(path) as image:
        assert image.layers == 3
        assert {(h, v) for _, h, v, _ in image.layer} == {(1, 1)}  # no component subsampled
        assert image.info["icc_profile"] == ICC
        assert image.info["xmp"] == XMP
        got = np.asarray(image).astype(int)
    assert np.abs(got - smooth / 257).max() < 5
    tags = exifread.process_file(io.BytesIO(path.read_bytes()))
    assert str(tags["Image Model"]) == "Camera 1"
    assert str(tags["EXIF FNumber"]) == "8"


def test_png_is_exact_in_both_depths_and_carries_everything(tmp_path):
    about = carried()
    for dtype in (np.uint8, np.uint16):
        pixels = PIXELS.astype(dtype)
        encode.write_png(tmp_path / "a.png", pixels, icc=about.icc, exif=about.exif, xmp=about.xmp)
        assert np.array_equal(cv2.imread(str(tmp_path / "a.png"), cv2.IMREAD_UNCHANGED)[..., ::-1], pixels)
        with Image.open(tmp_path / "a.png") as image:
            image.load()
            assert image.info["icc_profile"] == ICC
            assert image.info["xmp"] == XMP
            assert image.getexif()[272] == "Camera 1"


def test_masks_and_alpha_come_back_the_same(tmp_path):
    mask = np.zeros((60, 50), np.uint8)
    mask[10:20, 5:30] = 255
    encode.write_png(tmp_path / "mask.png", mask)
    with Image.open(tmp_path / "mask.png") as image:
        assert image.mode == "L"
        assert np.array_equal(np.asarray(image), mask)
    rgba = np.dstack([PIXELS, PIXELS[..., :1]])
    decoded = cv2.imdecode(np.frombuffer(encode.encode_png(rgba), np.uint8), cv2.IMREAD_UNCHANGED)
    assert np.array_equal(cv2.cvtColor(decoded, cv2.COLOR_BGRA2RGBA), rgba)


def test_sixteen_bits_are_rounded_to_the_nearest_of_eight():
    values = np.arange(65536, dtype=np.uint16).reshape(256, 256)
    assert np.array_equal(encode.to_eight_bits(values), np.rint(values / 257))


def test_a_xmp_too_long_for_jpeg_is_left_out_and_the_file_still_opens(tmp_path, caplog):
    encode.write_jpeg(tmp_path / "a.jpg", PIXELS, xmp=XMP + b" " * 70_000)
    assert "too long" in caplog.text
    with Image.open(tmp_path / "a.jpg") as image:
        assert "xmp" not in image.info


def test_nothing_half_written_stays(tmp_path, monkeypatch):
    def full(*_args, **_options):
        (next(tmp_path.glob(".*.part"), tmp_path / ".x.part")).touch()
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(tifffile, "imwrite", full)
    (tmp_path / "a.tif").write_bytes(b"before")
    with pytest.raises(OutputError, match=r"No space left.*free space"):
        encode.write_tiff(tmp_path / "a.tif", PIXELS)
    assert (tmp_path / "a.tif").read_bytes() == b"before"


def test_a_folder_that_is_not_there_is_named(tmp_path):
    with pytest.raises(OutputError, match="nowhere"):
        encode.write_png(tmp_path / "nowhere" / "a.png", PIXELS)


def test_a_name_of_full_length_can_be_written(tmp_path):
    encode.write_png(tmp_path / ("ü" * 120 + ".png"), PIXELS)  # 244 of 255 bytes: no room for a longer one beside it
    assert len(list(tmp_path.iterdir())) == 1


@pytest.mark.parametrize(
    "pixels",
    [PIXELS.astype(np.float32), PIXELS[..., :2], PIXELS[:0], PIXELS.ravel()],
    ids=lambda p: str(p.shape),
)
def test_arrays_that_are_no_picture_are_refused(pixels, tmp_path):
    for write in (encode.write_tiff, encode.write_jpeg, encode.write_png):
        with pytest.raises(InputError, match="cannot write pixels"):
            write(tmp_path / "a", pixels)


def test_an_unknown_compression_and_a_jpeg_too_wide_are_refused(tmp_path):
    with pytest.raises(InputError, match="lzw"):
        encode.write_tiff(tmp_path / "a.tif", PIXELS, compression="lzw")
    with pytest.raises(OutputError, match="65 535"):
        encode.write_jpeg(tmp_path / "a.jpg", np.zeros((1, 65_536, 3), np.uint8))
    assert list(tmp_path.iterdir()) == []


def test_the_header_points_at_the_last_directory(tmp_path):
    """The strips stay where they were written; only the directory moves to the end."""
    about = carried()
    encode.write_tiff(tmp_path / "a.tif", PIXELS, exif=about.exif)
    data = (tmp_path / "a.tif").read_bytes()
    first = struct.unpack_from("<I", data, 4)[0]
    with tifffile.TiffFile(tmp_path / "a.tif") as tiff:
        assert len(tiff.pages) == 1
        assert max(tiff.pages[0].dataoffsets) < first


def test_windows_written_into_a_file_make_it_that_of_the_new_picture(tmp_path):
    rng = np.random.default_rng(7)
    before, after = (rng.integers(0, 65_536, (150, 90, 3), dtype=np.uint16) for _ in range(2))
    about = {"icc": b"profile", "xmp": XMP, "exif": None}
    encode.write_tiff(tmp_path / "a.tif", before, compression="none", **about)
    windows = [(slice(0, 70), slice(0, 90)), (slice(64, 128), slice(20, 50)), (slice(149, 150), slice(89, 90))]
    mixed = before.copy()
    for at in windows:
        mixed[at] = after[at]
    encode.write_windows(tmp_path / "a.tif", mixed, windows)
    encode.write_tiff(tmp_path / "b.tif", mixed, compression="none", **about)
    assert (tmp_path / "a.tif").read_bytes() == (tmp_path / "b.tif").read_bytes()


def test_rows_written_into_a_jpeg_make_it_that_of_the_new_picture(tmp_path):
    before = (np.cumsum(RNG.integers(0, 900, (1300, 60, 3)), axis=1) % 65536).astype(np.uint16)  # eleven strips
    about, after = carried(), before.copy()
    told = {"icc": about.icc, "exif": about.exif, "xmp": about.xmp}
    after[100:140, 10:50] += 4000
    after[1290:] //= 2
    old, new = tmp_path / "old.jpg", tmp_path / "new.jpg"
    encode.write_jpeg(old, before, **told)
    encode.write_jpeg(new, after, **told)
    assert old.read_bytes() != new.read_bytes()
    encode.write_jpeg_rows(old, after, [slice(100, 140), slice(1290, 1300)])
    assert old.read_bytes() == new.read_bytes()
    encode.write_jpeg_rows(old, after, [])
    assert old.read_bytes() == new.read_bytes()


def test_rows_are_packed_anew_only_where_something_changed(tmp_path, monkeypatch):
    path, packed = tmp_path / "a.jpg", []
    encode.write_jpeg(path, PIXELS)
    real = encode._jpeg_strip
    monkeypatch.setattr(encode, "_jpeg_strip", lambda part, *a: packed.append(len(part)) or real(part, *a))
    encode.write_jpeg_rows(path, PIXELS, [slice(130, 131)])
    assert packed == [22]  # the second strip of 150 rows


@pytest.mark.parametrize("shape", [(1, 1), (255, 3), (256, 40), (257, 40), (900, 333)])
def test_a_map_comes_back_the_same_by_three_readers(shape, tmp_path):
    values = (RNG.integers(0, 9, shape) // 4 * 85).astype(np.uint8)
    path = tmp_path / "map.png"
    encode.write_map(path, values)
    assert np.array_equal(cv2.imread(str(path), cv2.IMREAD_UNCHANGED), values)
    assert np.array_equal(iio.imread(path), values)
    with Image.open(path) as image:
        image.verify()  # the check sums of all chunks
    assert np.array_equal(Image.open(path), values)


def test_rows_written_into_a_map_make_it_that_of_the_new_one(tmp_path):
    before = (RNG.integers(0, 9, (700, 80)) // 4 * 85).astype(np.uint8)
    after = before.copy()
    after[300:310] = 7
    old, new = tmp_path / "old.png", tmp_path / "new.png"
    encode.write_map(old, before)
    encode.write_map(new, after)
    encode.write_map(old, after, [slice(300, 310)])
    assert old.read_bytes() == new.read_bytes()
