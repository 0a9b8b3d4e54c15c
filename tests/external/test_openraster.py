"""OpenRaster 0.0.5 (freedesktop.org Create project): layout and stack; W3C Compositing and Blending Level 1.

The layers are rendered here by the formulas of the W3C text (5, 5.1, 5.8.1, 10.1.5), not by lampwalk.
"""

from __future__ import annotations

import io
import weakref
import zipfile
from xml.etree import ElementTree

import cv2
import numpy as np
import pytest
from PIL import Image

from lampwalk import deliver, profiles
from lampwalk.errors import InputError

RNG = np.random.default_rng(6)
H, W = 50, 70


def read_png(data: bytes) -> np.ndarray:
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    order = cv2.COLOR_BGRA2RGBA if picture.shape[2] == 4 else cv2.COLOR_BGR2RGB
    return cv2.cvtColor(picture, order).astype(float) / np.iinfo(picture.dtype).max


def render(archive: zipfile.ZipFile) -> np.ndarray:
    """Render stack.xml, topmost layer listed first, onto nothing."""
    root = ElementTree.fromstring(archive.read("stack.xml"))
    backdrop, backdrop_alpha = np.zeros((H, W, 3)), np.zeros((H, W, 1))
    for entry in reversed(root.findall("./stack/layer")):
        rgba = read_png(archive.read(entry.get("src")))
        source, alpha = rgba[..., :3], rgba[..., 3:] * float(entry.get("opacity"))
        blends = {"svg:lighten": np.maximum, "svg:src-over": lambda _below, above: above}
        blended = blends[entry.get("composite-op")](backdrop, source)
        source = (1 - backdrop_alpha) * source + backdrop_alpha * blended  # W3C, 5, blending first
        out = alpha * source + (1 - alpha) * backdrop_alpha * backdrop  # 5.1: co = cs x as + cb x ab x (1 - as)
        backdrop_alpha = alpha + backdrop_alpha * (1 - alpha)
        backdrop = np.divide(out, backdrop_alpha, out=np.zeros_like(out), where=backdrop_alpha > 0)
    assert np.allclose(backdrop_alpha, 1)
    return backdrop


def frames(dtype: type) -> tuple[list[np.ndarray], list[np.ndarray]]:
    top = np.iinfo(dtype).max
    pictures = [RNG.integers(0, top + 1, (H, W, 3)).astype(dtype) for _ in range(4)]
    masks = [np.zeros((H, W), np.uint8) for _ in range(4)]
    for index, mask in enumerate(masks[1:]):
        mask[5 : 5 + 10 * (index + 1), 10 * index : 10 * index + 30] = 255
    return pictures, masks


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_layers_rendered_by_the_specification_are_the_merged_picture(dtype, tmp_path):
    pictures, masks = frames(dtype)
    merged = pictures[0].copy()
    for picture, mask in zip(pictures[1:], masks[1:], strict=True):
        merged = np.where(mask[..., None] == 255, merged, np.maximum(merged, picture))
    layers = ((f"{i:02d}", deliver.layer(p, m)) for i, (p, m) in enumerate(zip(pictures, masks, strict=True)))
    deliver.write_openraster(tmp_path / "a.ora", layers, merged, icc=profiles.srgb_icc())
    with zipfile.ZipFile(tmp_path / "a.ora") as archive:
        assert archive.testzip() is None
        top = np.iinfo(dtype).max
        assert np.array_equal(np.rint(render(archive) * top), merged)
        assert np.array_equal(np.rint(read_png(archive.read("mergedimage.png")) * top), merged)


def test_soft_masks_render_to_what_the_formula_says(tmp_path):
    below, above = frames(np.uint8)[0][:2]
    soft = np.tile(np.linspace(0, 255, W).astype(np.uint8), (H, 1))
    layers = [("00", deliver.layer(below)), ("01", deliver.layer(above, soft))]
    deliver.write_openraster(tmp_path / "a.ora", layers, below)
    share = 1 - soft[..., None] / 255
    wanted = (1 - share) * below + share * np.maximum(below, above)
    with zipfile.ZipFile(tmp_path / "a.ora") as archive:
        assert np.abs(render(archive) * 255 - wanted).max() < 1e-9


def test_the_file_is_laid_out_as_the_specification_asks(tmp_path):
    pictures = frames(np.uint16)[0]
    wide = np.repeat(np.repeat(pictures[0], 8, axis=0), 8, axis=1)
    layers = [(f"lamp <{i}> & co", deliver.layer(wide)) for i in range(2)]
    deliver.write_openraster(tmp_path / "a.ora", layers, wide)
    data = (tmp_path / "a.ora").read_bytes()
    assert data[30:54] == b"mimetypeimage/openraster"  # first in the zip and stored: a fixed place for file(1)
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        names = archive.namelist()
        assert {"mimetype", "stack.xml", "mergedimage.png", "Thumbnails/thumbnail.png"} < set(names)
        assert archive.infolist()[0].compress_type == zipfile.ZIP_STORED
        root = ElementTree.fromstring(archive.read("stack.xml"))
        assert (root.tag, root.get("w"), root.get("h"), root.get("version")) == (
            "image",
            str(8 * W),
            str(8 * H),
            "0.0.5",
        )
        entries = root.findall("./stack/layer")
        assert [entry.get("name") for entry in entries] == ["lamp <1> & co", "lamp <0> & co"]  # topmost first
        assert [entry.get("composite-op") for entry in entries] == ["svg:lighten", "svg:src-over"]
        assert all(entry.get("src") in names for entry in entries)
        with Image.open(io.BytesIO(archive.read("Thumbnails/thumbnail.png"))) as thumbnail:
            assert max(thumbnail.size) == 256
            assert thumbnail.mode == "RGB"  # 8 bits, as the specification asks of thumbnails


def test_layers_are_taken_one_at_a_time(tmp_path):
    """At any time at most one layer is held beside the one that is being made."""
    made: list[weakref.ref] = []
    most = 0

    def layers():
        nonlocal most
        for index in range(5):
            pixels = deliver.layer(np.zeros((H, W, 3), np.uint8))
            made.append(weakref.ref(pixels))
            most = max(most, sum(reference() is not None for reference in made))
            yield str(index), pixels
            del pixels

    deliver.write_openraster(tmp_path / "a.ora", layers(), np.zeros((H, W, 3), np.uint8))
    assert len(made) == 5
    assert most <= 2


def test_nothing_is_left_of_a_file_that_cannot_be_made(tmp_path):
    for layers in ([], [("a", np.zeros((H, W + 1, 4), np.uint8))]):
        with pytest.raises(InputError):
            deliver.write_openraster(tmp_path / "a.ora", layers, np.zeros((H, W, 3), np.uint8))
    assert list(tmp_path.iterdir()) == []


def test_the_same_layers_give_the_same_bytes(tmp_path):
    pictures, masks = frames(np.uint8)
    for name in ("a", "b"):
        layers = [(str(i), deliver.layer(p, m)) for i, (p, m) in enumerate(zip(pictures, masks, strict=True))]
        deliver.write_openraster(tmp_path / name, layers, pictures[0])
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()
