"""Colour profiles: recognised, inverted, converted; 16 bits stay 16 bits."""

from __future__ import annotations

import io
import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageCms

from lampwalk import colour, profiles
from lampwalk.errors import InputError

ADOBE = profiles.make_icc("Some name", profiles.known("Adobe RGB (1998)").to_xyz, (563 / 256,))
P3 = profiles.make_icc("P3", profiles.known("Display P3").to_xyz, profiles._SRGB_PARAMETERS)
_ROMM = profiles.known("ProPhoto RGB")
PROPHOTO = profiles.make_icc("R", _ROMM.to_xyz, profiles.sampled(_ROMM.decode[0]))
ALL = {"Adobe RGB (1998)": ADOBE, "Display P3": P3, "ProPhoto RGB": PROPHOTO, "sRGB": profiles.srgb_icc()}
PIXELS = np.random.default_rng(2).integers(0, 65536, (20, 30, 3)).astype(np.uint16)


@pytest.mark.parametrize("name", ALL)
def test_a_known_space_is_recognised_by_what_it_does_not_by_its_name(name):
    profile = profiles.recognise(ALL[name])
    assert profile.name == name
    assert not profile.approximate


def test_the_colour_engines_own_srgb_is_srgb():
    icc = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    assert profiles.recognise(icc).name == "sRGB"
    assert profiles.recognise(None).name == "sRGB"


@pytest.mark.parametrize("name", ALL)
def test_there_and_back_gives_every_value_of_sixteen_bits(name):
    profile = profiles.recognise(ALL[name])
    values = np.arange(65536, dtype=np.uint16)[:, None] * np.ones(3, np.uint16)
    back = profile.to_encoded(profile.to_linear(values))
    assert np.abs(back.astype(int) - values).max() <= 1


@pytest.mark.parametrize("name", ALL)
def test_eight_bits_mean_the_same_light_as_sixteen(name):
    profile = profiles.recognise(ALL[name])
    eight = np.arange(256, dtype=np.uint8)[:, None] * np.ones(3, np.uint8)
    assert np.array_equal(profile.to_linear(eight), profile.to_linear(eight.astype(np.uint16) * 257))


def test_srgb_by_profile_is_srgb_by_formula():
    srgb = profiles.recognise(profiles.srgb_icc())
    assert np.array_equal(srgb.to_linear(PIXELS), colour.to_linear(PIXELS))
    assert np.abs(srgb.weights - colour.LUMINANCE).max() < 2e-4  # BT.709 gives four decimals


@pytest.mark.parametrize("name", [name for name in ALL if name != "sRGB"])
def test_conversion_agrees_with_the_colour_engine(name):
    """littleCMS through Pillow, 8 bits, relative colorimetric: within rounding, where it does not clip."""
    rng = np.random.default_rng(3)
    pixels = (rng.integers(60, 190, (40, 40, 1)) + rng.integers(-15, 15, (40, 40, 3))).astype(np.uint8)
    engine = np.asarray(
        ImageCms.profileToProfile(
            Image.fromarray(pixels),
            ImageCms.ImageCmsProfile(io.BytesIO(ALL[name])),
            ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")),
            renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
        )
    ).astype(int)
    assert np.abs(profiles.to_srgb(pixels, ALL[name]).astype(int) - engine).max() <= 1
    deep = profiles.to_srgb(pixels.astype(np.uint16) * 257, ALL[name])
    assert deep.dtype == np.uint16
    assert np.abs(deep / 257 - engine).max() <= 1.0
    assert len(np.unique(deep)) > 1.5 * len(np.unique(engine))  # finer than 8 bits


def test_grey_stays_grey_and_srgb_stays_as_it_is():
    grey = np.linspace(0, 65535, 300).astype(np.uint16).reshape(-1, 1, 1) * np.ones(3, np.uint16)
    for icc in (ADOBE, P3, PROPHOTO):
        made = profiles.to_srgb(grey, icc).astype(int)
        assert np.ptp(made, axis=2).max() <= 40  # of 65535: profiles hold their matrix in 1/65536
    assert profiles.to_srgb(PIXELS, profiles.srgb_icc()) is PIXELS
    assert profiles.to_srgb(PIXELS, None) is PIXELS


def grey_icc(gamma: float) -> bytes:
    """A grey profile: the colour one's curve under the name kTRC."""
    return (
        profiles.make_icc("grey", profiles.known("sRGB").to_xyz, (gamma,))
        .replace(b"RGB XYZ ", b"GRAYXYZ ")
        .replace(b"rTRC", b"kTRC")
    )


def test_a_grey_profile_becomes_one_of_colour_for_a_picture_in_colour():
    grey = profiles.recognise(grey_icc(2.2))
    assert np.allclose(grey.decode[0], (np.arange(65536) / 65535) ** 2.2, atol=1e-4)
    icc = profiles.for_colour_picture(grey_icc(2.2))
    assert icc[16:20] == b"RGB "
    assert np.abs(profiles.recognise(icc).decode[0] - grey.decode[0]).max() < 1e-4
    assert profiles.for_colour_picture(ADOBE) is ADOBE
    assert profiles.for_colour_picture(None) is None


def test_a_profile_of_tables_is_marked_and_goes_through_the_colour_engine():
    tables = profiles.srgb_icc().replace(b"rTRC", b"xTRC")
    profile = profiles.recognise(tables)
    assert profile.approximate
    assert np.array_equal(profile.decode, profiles.known("sRGB").decode)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_a_profile_that_is_not_of_rgb_is_refused(dtype):
    icc = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB", 5000)).tobytes()
    assert profiles.recognise(icc).approximate
    with pytest.raises(InputError, match="profile"):
        profiles.to_srgb(PIXELS.astype(dtype), icc)


def table_icc() -> bytes:
    """An RGB profile of tables (ICC.1:2022, 10.11, lut8Type): two points a side, white, black and six corners
    in Lab.

    Along the greys it is linear in L*: a curve that no matrix profile here has.
    """
    corners = [(r, g, b) for r in (0, 1) for g in (0, 1) for b in (0, 1)]
    clut = bytes(v for rgb in corners for v in (round(255 * sum(rgb) / 3), 128, 128))
    ramp = bytes(range(256))
    lut = struct.pack(">4sI4B", b"mft1", 0, 3, 3, 2, 0)
    lut += struct.pack(">9i", *(65536 * int(i % 4 == 0) for i in range(9))) + ramp * 3 + clut + ramp * 3
    plain = profiles.srgb_icc()
    head = bytearray(plain[:128])
    head[8:12], head[20:24] = b"\2\x40\0\0", b"Lab "
    tags = {b"A2B0": lut, b"wtpt": profiles._xyz(profiles._D50), b"cprt": b"text\0\0\0\0CC0\0",
            b"desc": b"desc\0\0\0\0\0\0\0\2T\0" + bytes(78)}  # fmt: skip
    entries, body = b"", b""
    for name, data in tags.items():
        entries += struct.pack(">4sII", name, 132 + 12 * len(tags) + len(body), len(data))
        body += data + b"\0" * (-len(data) % 4)
    head[0:4] = struct.pack(">I", 132 + len(entries) + len(body))
    return bytes(head) + struct.pack(">I", len(tags)) + entries + body


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_a_profile_of_tables_is_converted_by_the_colour_engine_in_both_depths(dtype):
    pytest.importorskip("imagecodecs", reason="16 bits through tables need the extra `fast`")
    top = np.iinfo(dtype).max
    assert profiles.recognise(table_icc()).approximate
    grey = (np.linspace(0, top, 41).astype(dtype)[:, None, None] * np.ones(3, dtype)).astype(dtype)
    made = profiles.to_srgb(grey, table_icc())
    assert made.dtype == dtype
    # CIE 1976 L* to luminance, then IEC 61966-2-1
    lightness = np.linspace(0, 100, 41)
    light = np.where(lightness > 8, ((lightness + 16) / 116) ** 3, lightness / 903.3)
    wanted = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    assert np.abs(made[:, 0] / top - wanted[:, None]).max() < 0.012


@given(st.binary(max_size=400))
def test_noise_is_no_profile_and_no_error(noise):
    assert profiles.recognise(noise).approximate
    assert profiles.recognise(profiles.srgb_icc()[:132] + noise) is not None


@given(st.integers(0, 479), st.integers(0, 255))
def test_one_changed_byte_never_gives_an_error_or_a_falling_curve(where, value):
    icc = bytearray(profiles.srgb_icc())
    icc[where] = value
    profile = profiles.recognise(bytes(icc))
    assert np.isfinite(profile.to_xyz).all()
    assert (np.diff(profile.decode, axis=1) >= 0).all()


def test_the_embedded_profile_is_always_the_same_and_opens_in_the_colour_engine():
    profiles.srgb_icc.cache_clear()
    first = profiles.srgb_icc()
    profiles.srgb_icc.cache_clear()
    assert profiles.srgb_icc() == first
    opened = ImageCms.ImageCmsProfile(io.BytesIO(first))
    assert ImageCms.getProfileDescription(opened).strip() == "sRGB"
    assert len(first) < 1000


@pytest.mark.parametrize("name", ["sRGB", "Display P3", "Adobe RGB (1998)", "ProPhoto RGB"])
def test_the_working_curve_holds_the_same_light_and_leads_back(name):
    """Merging by the sRGB curve and writing by the profile's own changes nothing but deep shadows."""
    profile = profiles.known(name)
    values = np.arange(65536, dtype=np.uint16)[None, :, None].repeat(3, 2)
    working = profile.to_working(values)
    assert np.abs(colour.to_linear(working) - profile.to_linear(values)).max() < 2e-5
    back = profile.from_working(working).astype(int) - values
    assert np.abs(back[:, 656:]).max() <= 4  # above a hundredth of full scale, encoded
    assert (working is values) == (name in {"sRGB", "Display P3"})
