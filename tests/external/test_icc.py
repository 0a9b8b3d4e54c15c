"""Working spaces: Adobe RGB (1998), SMPTE EG 432-1 (P3), ISO 22028-2 (ROMM), IEC 61966-2-1; ICC.1:2022.

The spaces are compared with colour-science, an independent implementation; the profiles that lampwalk builds
are read by littleCMS (through Pillow).
"""

from __future__ import annotations

import io
import struct
import warnings

import numpy as np
import pytest
from PIL import Image, ImageCms

from lampwalk import profiles

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    reference = pytest.importorskip("colour", reason="colour-science is not installed")

SPACES = ["sRGB", "Adobe RGB (1998)", "Display P3", "ProPhoto RGB"]


@pytest.mark.parametrize("name", SPACES)
def test_a_space_has_the_published_matrix_and_curve(name):
    ours, theirs = profiles.known(name), reference.RGB_COLOURSPACES[name]
    adapted = reference.adaptation.matrix_chromatic_adaptation_VonKries(
        reference.xy_to_XYZ(theirs.whitepoint), [0.9642, 1.0, 0.8249], "Bradford"
    )
    # ISO 22028-2 rounds D50 to four decimals of xy, ICC to four of XYZ: they differ by 2e-4.
    assert np.abs(adapted @ theirs.matrix_RGB_to_XYZ - ours.to_xyz).max() < 3e-4
    codes = np.arange(65536) / 65535
    assert np.abs(theirs.cctf_decoding(codes) - ours.decode[0]).max() < 1e-7


# Adobe RGB (1998), annex on the ICC profile: media-relative, D50, to five decimals (from memory)
ADOBE_D50 = [[0.60974, 0.20528, 0.14919], [0.31111, 0.62567, 0.06322], [0.01947, 0.06087, 0.74457]]


def test_adobe_rgb_has_the_matrix_printed_in_its_specification():
    assert np.abs(profiles.known("Adobe RGB (1998)").to_xyz - ADOBE_D50).max() < 2e-4


@pytest.mark.parametrize("name", SPACES)
def test_luminance_weights_are_the_y_row_in_daylight(name):
    space = reference.RGB_COLOURSPACES[name]
    to_d65 = reference.adaptation.matrix_chromatic_adaptation_VonKries(
        reference.xy_to_XYZ(space.whitepoint), reference.xy_to_XYZ((0.3127, 0.3290)), "Bradford"
    )
    assert np.abs((to_d65 @ space.matrix_RGB_to_XYZ)[1] - profiles.known(name).weights).max() < 1e-3
    assert profiles.known(name).weights.sum() == pytest.approx(1)


def test_a_profile_has_the_header_and_tags_that_icc_asks():
    """ICC.1:2022, 7.2 (header), 8.2 and 8.3.3 (tags every matrix display profile must have), 7.3.1 (offsets
    by 4)."""
    icc = profiles.srgb_icc()
    assert struct.unpack_from(">I", icc, 0)[0] == len(icc)
    assert (icc[8], icc[12:16], icc[16:20], icc[20:24], icc[36:40]) == (4, b"mntr", b"RGB ", b"XYZ ", b"acsp")
    assert struct.unpack_from(">3i", icc, 68) == (63190, 65536, 54061)  # D50, table 17: F6D6h, 10000h, D32Dh
    count = struct.unpack_from(">I", icc, 128)[0]
    tags = {}
    for index in range(count):
        name, where, length = struct.unpack_from(">4sII", icc, 132 + 12 * index)
        assert where % 4 == 0
        assert where + length <= len(icc)
        tags[name] = icc[where : where + length]
    needed = {
        b"desc",
        b"cprt",
        b"wtpt",
        b"chad",
        *(c + t for c in (b"r", b"g", b"b") for t in (b"XYZ", b"TRC")),
    }
    assert set(tags) == needed


@pytest.mark.parametrize("name", ["Adobe RGB (1998)", "Display P3", "ProPhoto RGB"])
def test_a_profile_that_lampwalk_builds_means_the_same_to_littlecms(name):
    """To Lab and compared with colour-science: within what 8 bits of Lab can say."""
    space = profiles.known(name)
    icc = profiles.make_icc(name, space.to_xyz, profiles.sampled(space.decode[0]))
    pixels = np.random.default_rng(4).integers(40, 220, (30, 30, 3)).astype(np.uint8)
    lab = ImageCms.profileToProfile(
        Image.fromarray(pixels), ImageCms.ImageCmsProfile(io.BytesIO(icc)),
        ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB", 5000)), outputMode="LAB",
        renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
    )  # fmt: skip
    got = np.asarray(lab).astype(float)
    got[..., 1:] = np.where(got[..., 1:] >= 128, got[..., 1:] - 256, got[..., 1:])  # Pillow's LAB has signed a, b
    got[..., 0] *= 100 / 255
    xyz = space.to_linear(pixels) @ space.to_xyz.T
    wanted = reference.XYZ_to_Lab(xyz, reference.XYZ_to_xy([0.9642, 1.0, 0.8249]))
    inside = (np.abs(wanted[..., 1:]) < 120).all(axis=-1)
    assert inside.mean() > 0.9
    assert np.abs(got - wanted)[inside].max() < 1.2
