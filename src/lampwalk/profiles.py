"""Colour profiles: from the encoded values of a file to linear light, and from any profile to sRGB.

A profile made of a matrix and curves (all working spaces are) is read here, so 16 bits stay 16 bits. A
profile made of tables goes through littleCMS.

References
----------
ICC.1:2022: 7.2 header, 10.6 curveType, 10.18 parametricCurveType, 9.2 tags, 8.3.3 matrix/TRC. IEC
61966-2-1:1999 (sRGB). Adobe RGB (1998) Color Image Encoding, 2005-05. SMPTE EG 432-1 (P3; Display P3 takes
D65 and sRGB's curve). ISO 22028-2 (ROMM RGB, "ProPhoto"). K. M. Lam's Bradford matrix as in ICC.1:2022, annex
E.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field
from functools import cache, cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import colour
from .errors import InputError

Matrix = NDArray[np.float64]
Table = NDArray[np.float32]

_D50 = np.array([0.9642, 1.0, 0.8249])
"""ICC.1:2022, 7.2.16: the illuminant of the connection space."""

_BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])

_D65_XY, _D50_XY = (0.3127, 0.3290), (0.3457, 0.3585)

_GAMMA_ADOBE = 563 / 256
"""Adobe RGB (1998), 4.3.1.2: 2.19921875."""

_SPACES = {  # red, green, blue, white (x, y); curve
    "sRGB": ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06), _D65_XY, "srgb"),
    "Adobe RGB (1998)": ((0.64, 0.33), (0.21, 0.71), (0.15, 0.06), _D65_XY, "adobe"),
    "Display P3": ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060), _D65_XY, "srgb"),
    "ProPhoto RGB": ((0.7347, 0.2653), (0.1596, 0.8404), (0.0366, 0.0001), _D50_XY, "romm"),
}

_SAME_MATRIX, _SAME_CURVE = 0.002, 0.002
"""Profiles of one space by different makers differ by rounding: up to about 0.001 in XYZ and in linear
light."""

_STRIP_ROWS = 256


NEAR_SRGB = 24
"""Levels of 65 535 by which a curve may differ from sRGB's and still count as it: a tenth of a step of 8 bits, which
covers the roundings of published profiles."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Profile:
    """What the encoded values of a picture mean.

    Attributes
    ----------
    name : str
        Of the space where it is a known one, else what the profile calls itself.
    decode : (3, 65536) float32
        Linear light of each 16-bit value of red, green and blue, 0-1.
    to_xyz : (3, 3) float64
        Linear RGB to CIE XYZ relative to D50.
    approximate : bool
        True where the profile works by tables: then the curve and matrix are sRGB's.
    """

    name: str
    decode: Table = field(repr=False)
    to_xyz: Matrix = field(repr=False)
    approximate: bool = False

    @property
    def weights(self) -> NDArray[np.float32]:
        """Weights of linear R, G, B in the luminance relative to daylight (D65), sum 1."""
        row = (np.linalg.inv(_adaptation(_white(_D65_XY))) @ self.to_xyz)[1]
        return np.asarray(row / row.sum(), np.float32)

    def to_linear(self, encoded: NDArray[Any]) -> NDArray[np.float32]:
        """Turn encoded values into linear light: (..., 3) uint8 or uint16 to (..., 3) float32, 0-1."""
        step = {np.dtype(np.uint8): 257, np.dtype(np.uint16): 1}[encoded.dtype]
        linear = np.empty(encoded.shape, np.float32)
        for channel in range(3):
            linear[..., channel] = self.decode[channel, ::step][encoded[..., channel]]
        return linear

    def to_encoded(self, linear: NDArray[np.float32]) -> NDArray[np.uint16]:
        """Turn linear light into encoded values: (..., 3) float32, clipped to 0-1, to (..., 3) uint16."""
        if self.name == "sRGB":
            return colour.to_encoded(linear)
        steps = np.arange(65536)
        encoded = np.empty(linear.shape, np.uint16)
        for channel in range(3):
            encoded[..., channel] = np.rint(np.interp(linear[..., channel], self.decode[channel], steps))
        return encoded

    def luminance(self, linear: NDArray[np.float32]) -> NDArray[np.float32]:
        """Relative luminance of linear RGB: (..., 3) float32 to (...) float32."""
        return linear @ self.weights

    @property
    def is_working(self) -> bool:
        """Whether the profile's curve is the one in which all steps work."""
        return self._working_tables is None

    def to_working(self, encoded: NDArray[Any]) -> NDArray[Any]:
        """Encode by the sRGB curve instead of the profile's own: the curve in which all steps work.

        Parameters
        ----------
        encoded : (H, W, 3) uint8 or uint16

        Returns
        -------
        (H, W, 3)
            `encoded` itself where the curve is sRGB's already, else uint16. The primaries stay the profile's.
        """
        tables = self._working_tables
        if tables is None:
            return encoded
        step = 257 if encoded.dtype == np.uint8 else 1
        return _through([tables[0][channel, ::step] for channel in range(3)], encoded)

    def from_working(self, encoded: NDArray[np.uint16]) -> NDArray[np.uint16]:
        """Undo `to_working`: (H, W, 3) uint16, exact to a level but in the deepest shadows; `encoded` itself where there is nothing to do."""
        tables = self._working_tables
        return encoded if tables is None else _through(list(tables[1]), encoded)

    @cached_property
    def _working_tables(self) -> tuple[NDArray[np.uint16], NDArray[np.uint16]] | None:
        steps = np.arange(65536)
        there = colour.to_encoded(self.decode)
        if np.abs(there.astype(np.int64) - steps).max() <= NEAR_SRGB:
            return None
        srgb = colour.to_linear(steps.astype(np.uint16))
        back = [np.rint(np.interp(srgb, self.decode[channel], steps)) for channel in range(3)]
        return there, np.array(back).astype(np.uint16)


def _through(tables: list[NDArray[np.uint16]], encoded: NDArray[Any]) -> NDArray[np.uint16]:
    out = np.empty(encoded.shape, np.uint16)
    for channel in range(3):
        np.take(tables[channel], encoded[..., channel], out=out[..., channel])
    return out


@cache
def known(name: str) -> Profile:
    """Give a published space: ``"sRGB"``, ``"Adobe RGB (1998)"``, ``"Display P3"``, ``"ProPhoto RGB"``."""
    red, green, blue, white, curve = _SPACES[name]
    table = _curve(curve).astype(np.float32)
    return Profile(name=name, decode=_thrice(table), to_xyz=_matrix(red, green, blue, white))


def recognise(icc: bytes | None) -> Profile:
    """Read an embedded profile.

    Parameters
    ----------
    icc : bytes or None
        None is taken as sRGB, what cameras and browsers mean by it (IEC 61966-2-1).

    Returns
    -------
    Profile
        Never raises: a damaged profile or one made of tables gives sRGB's curve, marked `approximate`.
    """
    return known("sRGB") if icc is None else _recognise(icc)


@cache
def _recognise(icc: bytes) -> Profile:
    try:
        tags = _tags(icc)
        name = _description(tags.get(b"desc", b"")) or "unnamed"
        if icc[16:20] == b"GRAY":
            decode, to_xyz = _thrice(_read_curve(tags[b"kTRC"])), known("sRGB").to_xyz
        elif icc[16:20] == b"RGB " and icc[20:24] == b"XYZ ":
            decode = np.stack([_read_curve(tags[c + b"TRC"]) for c in (b"r", b"g", b"b")])
            to_xyz = np.stack([_read_xyz(tags[c + b"XYZ"]) for c in (b"r", b"g", b"b")], axis=1)
        else:
            raise ValueError("no matrix profile")
        if abs(np.linalg.det(to_xyz)) < 1e-6 or to_xyz[1].sum() <= 0:
            raise ValueError("no usable matrix")
    except (KeyError, ValueError, IndexError, ArithmeticError, struct.error):
        srgb = known("sRGB")
        return Profile(name="tables or damaged", decode=srgb.decode, to_xyz=srgb.to_xyz, approximate=True)
    for space in map(known, _SPACES):
        near = np.abs(space.to_xyz - to_xyz).max() < _SAME_MATRIX
        if near and np.abs(space.decode - decode).max() < _SAME_CURVE:
            # The published space, but the file's own curve: profiles of one space differ in rounding.
            return Profile(name=space.name, decode=space.decode if space.name == "sRGB" else decode, to_xyz=to_xyz)
    return Profile(name=name, decode=decode, to_xyz=to_xyz)


def to_srgb(pixels: NDArray[Any], icc: bytes | None) -> NDArray[Any]:
    """Convert a finished picture to sRGB; depth stays, colours outside sRGB are clipped.

    Parameters
    ----------
    pixels : (H, W, 3) uint8 or uint16, encoded as `icc` says
    icc : bytes or None

    Returns
    -------
    (H, W, 3) of the same type, encoded sRGB
        Relative colorimetric; a profile of tables goes through littleCMS with the same intent.

    Raises
    ------
    InputError
        A profile of tables at 16 bits, and imagecodecs is not installed.
    """
    profile = recognise(icc)
    if icc is None or profile.name == "sRGB":
        return pixels
    if profile.approximate:
        return _by_littlecms(pixels, icc)
    to_srgb_linear = (np.linalg.inv(known("sRGB").to_xyz) @ profile.to_xyz).astype(np.float32)
    out = np.empty_like(pixels)
    for top in range(0, len(pixels), _STRIP_ROWS):
        linear = profile.to_linear(pixels[top : top + _STRIP_ROWS]) @ to_srgb_linear.T
        encoded = colour.to_encoded(linear)
        out[top : top + _STRIP_ROWS] = encoded if pixels.dtype == np.uint16 else (encoded + np.float32(128)) // 257
    return out


def _by_littlecms(pixels: NDArray[Any], icc: bytes) -> NDArray[Any]:
    if pixels.dtype == np.uint16:
        try:
            import imagecodecs
        except ImportError:
            raise InputError(
                "this colour profile works by tables, and 16 bits need another package for it",
                remedy='pip install "lampwalk[fast]", or keep the profile',
            ) from None
        intent = imagecodecs.CMS.INTENT.RELATIVE_COLORIMETRIC
        try:
            out = imagecodecs.cms_transform(
                pixels, icc, srgb_icc(), colorspace="rgb", outcolorspace="rgb", intent=intent
            )
        except (RuntimeError, ValueError) as error:
            raise InputError(f"the colour profile cannot be used: {error}", remedy="keep the profile") from error
        return np.asarray(out, np.uint16)
    from io import BytesIO

    from PIL import Image, ImageCms

    try:
        image = ImageCms.profileToProfile(
            Image.fromarray(pixels),
            ImageCms.ImageCmsProfile(BytesIO(icc)),
            ImageCms.ImageCmsProfile(BytesIO(srgb_icc())),
            renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
        )
    except (ImageCms.PyCMSError, OSError) as error:
        raise InputError(f"the colour profile cannot be used: {error}", remedy="keep the profile") from error
    return np.asarray(image, np.uint8)


@cache
def srgb_icc() -> bytes:
    """Make the sRGB profile that is embedded in results: always the same bytes."""
    return make_icc("sRGB", known("sRGB").to_xyz, _SRGB_PARAMETERS)


def for_colour_picture(icc: bytes | None) -> bytes | None:
    """Give the profile of a colour picture made from frames with `icc`: a grey one becomes one of colour."""
    if icc is None or icc[16:20] != b"GRAY":
        return icc
    profile = recognise(icc)
    return make_icc(f"{profile.name} in colour", profile.to_xyz, sampled(profile.decode[0]))


_SRGB_PARAMETERS = (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)


def sampled(decode: Table) -> list[int]:
    """Sample a curve of 65536 values for `make_icc`: 4096 values of 16 bits, as makers of profiles use."""
    points = np.interp(np.linspace(0, 65535, 4096), np.arange(65536), decode)
    return [int(value) for value in np.rint(points * 65535)]


def make_icc(name: str, to_xyz: Matrix, curve: tuple[float, ...] | list[int]) -> bytes:
    """Build a matrix profile, ICC version 4.

    Parameters
    ----------
    name : str
    to_xyz : (3, 3) float64
        Linear RGB to XYZ relative to D50.
    curve : tuple or list
        A tuple holds the parameters of function type 3, or one gamma (ICC.1:2022, 10.18); a list holds the
        16-bit values of a sampled curve (10.6).
    """
    if isinstance(curve, tuple):
        kind = 0 if len(curve) == 1 else 3
        trc = struct.pack(">4sIHH", b"para", 0, kind, 0) + b"".join(_fixed(v) for v in curve)
    else:
        trc = struct.pack(f">4sII{len(curve)}H", b"curv", 0, len(curve), *curve)
    adapt = _adaptation(_white(_D65_XY))
    tags = {
        b"desc": _localised(name), b"cprt": _localised("CC0"), b"wtpt": _xyz(_D50),
        b"chad": struct.pack(">4sI", b"sf32", 0) + b"".join(_fixed(v) for v in adapt.ravel()),
    }  # fmt: skip
    for channel, letter in enumerate((b"r", b"g", b"b")):
        tags[letter + b"XYZ"] = _xyz(to_xyz[:, channel])
        tags[letter + b"TRC"] = trc
    entries, body, places = b"", b"", {}
    start = 128 + 4 + 12 * len(tags)
    for signature, data in tags.items():
        if data not in places:
            places[data] = start + len(body)
            body += data + b"\0" * (-len(data) % 4)
        entries += struct.pack(">4sII", signature, places[data], len(data))
    head = struct.pack(">I4sI4s4s4s6H4s", start + len(body), b"\0" * 4, 0x04400000, b"mntr", b"RGB ", b"XYZ ",
                       2000, 1, 1, 0, 0, 0, b"acsp")  # a fixed date: same input, same bytes  # fmt: skip
    head += b"\0" * 28 + b"".join(_fixed(v) for v in _D50)
    return head.ljust(128, b"\0") + struct.pack(">I", len(tags)) + entries + body


def _tags(icc: bytes) -> dict[bytes, bytes]:
    if icc[36:40] != b"acsp":
        raise ValueError("no ICC profile")
    count = struct.unpack_from(">I", icc, 128)[0]
    found = {}
    for index in range(min(count, 256)):
        signature, where, length = struct.unpack_from(">4sII", icc, 132 + 12 * index)
        found[signature] = icc[where : where + length]
    return found


def _read_xyz(data: bytes) -> NDArray[np.float64]:
    if data[:4] != b"XYZ ":
        raise ValueError("no XYZ")
    return np.array(struct.unpack_from(">3i", data, 8)) / 65536


def _read_curve(data: bytes) -> Table:
    """Linear light of each 16-bit value, from curveType or parametricCurveType."""
    x = np.arange(65536) / 65535
    if data[:4] == b"curv":
        count = struct.unpack_from(">I", data, 8)[0]
        if count == 0:
            y = x
        elif count == 1:
            y = x ** (struct.unpack_from(">H", data, 12)[0] / 256)
        else:
            values = np.array(struct.unpack_from(f">{count}H", data, 12)) / 65535
            y = np.interp(x, np.linspace(0, 1, count), values)
    elif data[:4] == b"para":
        with np.errstate(all="ignore"):  # a damaged curve may run to infinity; it is refused below
            y = _parametric(x, data)
    else:
        raise ValueError("no curve")
    y = np.maximum.accumulate(np.clip(np.nan_to_num(y), 0, 1))  # never falls, so that it can be turned round
    if y[-1] - y[0] < 0.5:
        raise ValueError("a curve without range")
    return y.astype(np.float32)


def _parametric(x: NDArray[np.float64], data: bytes) -> NDArray[np.float64]:
    kind = struct.unpack_from(">H", data, 8)[0]
    values = [v / 65536 for v in struct.unpack_from(f">{(1, 3, 4, 5, 7)[kind]}i", data, 12)]
    g, a, b, c, d, e, f = (values + [0.0] * 7)[:7]
    if kind == 0:
        return np.asarray(x**g)
    power = np.maximum(a * x + b, 0) ** g
    if kind == 1:
        return np.asarray(np.where(x >= -b / a, power, 0))
    if kind == 2:
        return np.asarray(np.where(x >= -b / a, power + c, c))
    return np.asarray(np.where(x >= d, power + e, c * x + f))


def _description(data: bytes) -> str:
    if data[:4] == b"desc":  # version 2
        length = struct.unpack_from(">I", data, 8)[0]
        return data[12 : 12 + length].split(b"\0")[0].decode("ascii", "replace")
    if data[:4] == b"mluc":
        length, where = struct.unpack_from(">II", data, 20)
        return data[where : where + length].decode("utf-16-be", "replace").strip("\0")
    return ""


def _curve(kind: str) -> NDArray[np.float64]:
    x = np.arange(65536) / 65535
    if kind == "srgb":
        return np.where(x <= 0.04045, x / 12.92, ((x + 0.055) / 1.055) ** 2.4)
    if kind == "adobe":
        return np.asarray(x**_GAMMA_ADOBE)
    return np.where(x < 16 / 512, x / 16, x**1.8)  # ROMM RGB: 16 times steeper below 1/512 of linear light


def _thrice(table: NDArray[Any]) -> Table:
    """Give the same curve to three channels, without holding it three times."""
    return np.broadcast_to(table.astype(np.float32), (3, len(table)))


def _matrix(red: Any, green: Any, blue: Any, white: tuple[float, float]) -> Matrix:
    """Linear RGB to XYZ relative to D50, from chromaticities (as in SMPTE RP 177)."""
    primaries = np.stack([_white(p) for p in (red, green, blue)], axis=1)
    scale = np.linalg.solve(primaries, _white(white))
    return np.asarray(_adaptation(_white(white)) @ (primaries * scale))


def _white(xy: tuple[float, float]) -> NDArray[np.float64]:
    return np.array([xy[0] / xy[1], 1.0, (1 - xy[0] - xy[1]) / xy[1]])


def _adaptation(white: NDArray[np.float64]) -> Matrix:
    """Bradford adaptation of `white` to D50."""
    gain = (_BRADFORD @ _D50) / (_BRADFORD @ white)
    return np.asarray(np.linalg.inv(_BRADFORD) @ (gain[:, None] * _BRADFORD))


def _fixed(value: float) -> bytes:
    return struct.pack(">i", round(value * 65536))


def _xyz(values: NDArray[np.float64]) -> bytes:
    return struct.pack(">4sI", b"XYZ ", 0) + b"".join(_fixed(v) for v in values)


def _localised(words: str) -> bytes:
    text = words.encode("utf-16-be")
    return struct.pack(">4sIII2s2sII", b"mluc", 0, 1, 12, b"en", b"US", len(text), 28) + text
