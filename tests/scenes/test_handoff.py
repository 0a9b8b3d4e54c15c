"""Layers, clip and delivery copy of a run. OpenRaster 0.0.5 draft; W3C Compositing and Blending Level 1 (`lighten`)."""

from __future__ import annotations

import zipfile
from itertools import pairwise
from xml.etree import ElementTree

import cv2
import numpy as np
import pytest
import tifffile
from PIL import Image

import lampwalk
from lampwalk.handoff import Extras


@pytest.fixture(scope="module")
def run(small_scene, tmp_path_factory):
    extras = Extras(layers=True, clip=True, png=True, delivery=300, compression="deflate")
    return lampwalk.merge_folder(
        small_scene / "frames", tmp_path_factory.mktemp("handoff") / "run", extras=extras
    ).folder


def test_the_layers_rendered_by_the_specification_are_the_composite(run):
    """Every layer is svg:lighten; where its alpha is 1, B(cb, cs) = max(cb, cs); where it is 0, the backdrop stays."""
    with zipfile.ZipFile(run / "layers.ora") as archive:
        assert archive.namelist()[0] == "mimetype"
        assert archive.read("mimetype") == b"image/openraster"
        layers = list(ElementTree.fromstring(archive.read("stack.xml")).find("stack"))
        rendered = None
        for number, layer in enumerate(reversed(layers)):  # the topmost stands first
            assert layer.get("composite-op") == ("svg:lighten" if number else "svg:src-over")
            data = np.frombuffer(archive.read(layer.get("src")), np.uint8)
            rgba = cv2.imdecode(data, cv2.IMREAD_UNCHANGED)[..., [2, 1, 0, 3]]
            assert set(np.unique(rgba[..., 3])) <= {0, 65535}
            shown = np.where(rgba[..., 3:] > 0, rgba[..., :3], 0)
            rendered = shown if rendered is None else np.maximum(rendered, shown)
    assert len(layers) == 11  # ten frames and the fill
    assert np.array_equal(rendered, tifffile.imread(run / "composite.tif"))


def test_the_clip_grows_and_ends_with_the_result(run):
    with Image.open(run / "build_up.webp") as clip:
        assert clip.n_frames == 11
        means = []
        for i in range(clip.n_frames):
            clip.seek(i)
            means.append(float(np.asarray(clip.convert("RGB")).mean()))
    assert all(later >= earlier - 0.5 for earlier, later in pairwise(means))
    assert means[-1] > means[0] + 10


def test_the_delivery_copy_has_the_size_asked_for(run):
    with Image.open(run / "delivery.jpg") as copy:
        assert max(copy.size) == 300


def test_the_png_holds_the_same_16_bits(run):
    png = cv2.imread(str(run / "composite.png"), cv2.IMREAD_UNCHANGED)
    assert np.array_equal(png[..., ::-1], tifffile.imread(run / "composite.tif"))


def test_a_deflated_composite_holds_the_same_pixels(run, small_run):
    assert np.array_equal(tifffile.imread(run / "composite.tif"), tifffile.imread(small_run.folder / "composite.tif"))
