"""Small fields of light, brought to full size strip by strip, and what they do to a strip.

Light is scaled on its square root, as 16-bit integers (*root* below): ``sqrt(g L) = sqrt(g) sqrt(L)``, so a gain in linear
light is one product of integers between two table look-ups, and the steps of a root are as fine in the shadows as those
of the encoding itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property, lru_cache
from math import ceil, floor
from typing import Any, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from . import colour, geometry
from .bench import Bench
from .colour import Levels
from .drawer import IN_MEMORY, Drawer, Waiting, shape_of

T = TypeVar("T", np.float32, np.uint8)

MARGIN = 4
"""Preview pixels kept round a field's box, so that enlarging does not meet its border."""

UNITY = 4096
"""A factor on the root that changes nothing. Steps of 1/4096 are 0.0007 EV; the largest gain is 256 (8 EV)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Field:
    """A smooth quantity over the picture, known at preview size in some of its rows.

    Attributes
    ----------
    drawer : Drawer
        Where its values wait; by default in memory.
    values : (n, m) or (n, m, 3) uint8 or uint16
        The rows and columns that matter; not to be written to.
    top, left : int
        First of these rows and columns.
    neutral : float
        The value elsewhere, which changes nothing.
    small, full : (int, int)
        Height and width of the preview and of the full-size picture.
    """

    drawer: Drawer = IN_MEMORY
    values: Waiting = Waiting()
    top: int
    left: int
    neutral: float
    small: tuple[int, int]
    full: tuple[int, int]

    def window(self, rows: slice) -> tuple[slice, slice] | None:
        """Full-size rows and columns, within some rows, that matter; None if there are none."""
        sy, sx = self.full[0] / self.small[0], self.full[1] / self.small[1]
        height, width = shape_of(self, "values")[:2]
        top = max(rows.start, int(self.top * sy))
        bottom = min(rows.stop, int(np.ceil((self.top + height) * sy)))
        if top >= bottom:
            return None
        right = min(self.full[1], int(np.ceil((self.left + width) * sx)))
        return slice(top, bottom), slice(int(self.left * sx), right)

    def matters(self, rows: slice, edges: NDArray[np.intp]) -> NDArray[np.bool_]:
        """Whether it changes anything in some full-size rows, between each two of n + 1 full-size columns: (n,)."""
        sy, sx = self.small[0] / self.full[0], self.small[1] / self.full[1]
        first, last = floor((rows.start + 0.5) * sy - 0.5), floor((rows.stop - 0.5) * sy - 0.5) + 2
        counted = self._counted
        height, width = counted.shape
        top, bottom = (min(max(row - self.top, 0), height - 1) for row in (first, last))
        before = counted[bottom] - counted[top]  # how many columns further left change something
        left = np.floor((edges[:-1] + 0.5) * sx - 0.5).astype(np.intp) - self.left
        right = np.floor((edges[1:] - 0.5) * sx - 0.5).astype(np.intp) + 2 - self.left
        left, right = (np.minimum(np.maximum(at, 0), width - 1) for at in (left, right))
        return np.asarray(before[right] > before[left])

    @cached_property
    def _counted(self) -> NDArray[np.int32]:
        """How many of the values above and left of each place change anything: (n + 1, m + 1)."""
        changes = (self.values != self.neutral).view(np.uint8)
        if changes.size:  # enlarging goes by way of cells (`_cells`), so each value reaches a pixel further
            changes = cv2.dilate(strongest(changes) if changes.ndim == 3 else changes, np.ones((3, 3), np.uint8))
        return np.asarray(cv2.integral(changes.reshape(changes.shape[:2])))

    def around(self, rows: slice, tiles: Sequence[slice], margin: int) -> tuple[NDArray[Any], list[slice]]:
        """Values at preview size that a full-size strip can depend on, and the columns of them for each of its tiles.

        Parameters
        ----------
        rows : slice
            Of the strip.
        tiles : sequence of slice
            Columns of each tile.
        margin : int
            Preview pixels round what they depend on.
        """
        down, *across = (
            slice(max(0, int(np.floor(first)) - margin), min(n, int(np.floor(last)) + 2 + margin))
            for (first, last), n in (
                (_ends(rows, self.full[0], self.small[0]), self.small[0]),
                *((_ends(cols, self.full[1], self.small[1]), self.small[1]) for cols in tiles),
            )
        )
        return self._part(np.arange(down.start, down.stop), slice(0, self.small[1])), across

    def render(self, rows: slice, cols: slice, bench: Bench | None = None, name: str = "field") -> NDArray[Any]:
        """Values at full size in a window: bilinear, pixel centres at integers. One window always has the same bits.

        Where a bench is given, the values are on it under that name, until it is asked for again.
        """
        if self.small == self.full:
            return self._part(np.arange(rows.start, rows.stop), cols)
        step_y, step_x = self._steps
        down, across = _ends_in(rows, step_y), _ends_in(cols, step_x)
        part = self._of_cells(down, across)
        size = (part.shape[1] * step_x, part.shape[0] * step_y)
        large = (bench or Bench()).array(name, (*size[::-1], *part.shape[2:]), part.dtype)
        cv2.resize(part, size, dst=large, interpolation=cv2.INTER_LINEAR)
        y, x = rows.start - down.start * step_y, cols.start - across.start * step_x
        return large[y : y + rows.stop - rows.start, x : x + cols.stop - cols.start]

    def _of_cells(self, rows: slice, cols: slice) -> NDArray[Any]:
        """Some rows and columns of cells; neutral outside what is kept."""
        known, top, left = self._cells
        first_row, last_row = max(rows.start, top), min(rows.stop, top + len(known))
        first, last = max(cols.start, left), min(cols.stop, left + known.shape[1])
        inside = known[max(first_row - top, 0) : max(last_row - top, 0), max(first - left, 0) : max(last - left, 0)]
        if inside.shape[:2] == (rows.stop - rows.start, cols.stop - cols.start):
            return inside
        part = np.full((rows.stop - rows.start, cols.stop - cols.start, *known.shape[2:]), self.neutral, known.dtype)
        if inside.size:
            part[first_row - rows.start : last_row - rows.start, first - cols.start : last - cols.start] = inside
        return part

    @property
    def _steps(self) -> tuple[int, int]:
        """Full-size rows and columns of a cell: whole pixels, a little less than those of the preview's pixels."""
        return max(1, self.full[0] // self.small[0]), max(1, self.full[1] // self.small[1])

    @cached_property
    def _cells(self) -> tuple[NDArray[Any], int, int]:
        """Values in cells of whole pixels, which are enlarged in a third of the time: row and column of the first one."""
        if not self.values.size:
            return self.values, 0, 0
        (step_y, top, rows, y), (step_x, left, cols, x) = (
            (ratio := step * small / full, *_cells_along(first, count, ratio, -(-full // step)))
            for first, count, small, full, step in zip(
                (self.top, self.left), self.values.shape, self.small, self.full, self._steps, strict=False
            )
        )
        back, flags = np.array([[step_x, 0, x], [0, step_y, y]]), cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        found = cv2.warpAffine(self.values, back, (cols, rows), flags=flags, borderMode=cv2.BORDER_REPLICATE)
        return found, top, left

    def pick(self, rows: slice, cols: slice) -> NDArray[Any]:
        """Values at full size in any window, the same bits whatever the window: cut from whole tiles of the fixed grid."""
        if self.small == self.full:
            return self._part(np.arange(rows.start, rows.stop), cols)
        known = self._cells[0]
        out = np.empty((rows.stop - rows.start, cols.stop - cols.start, *known.shape[2:]), known.dtype)
        for down in geometry.strips(self.full[0])[rows.start // geometry.STRIP_ROWS :]:
            top, bottom = max(down.start, rows.start), min(down.stop, rows.stop)
            if top >= bottom:
                break
            for across in geometry.tiles(cols, self.full[1]):
                left, right = max(across.start, cols.start), min(across.stop, cols.stop)
                tile = self.render(down, across)[top - down.start : bottom - down.start]
                out[top - rows.start : bottom - rows.start, left - cols.start : right - cols.start] = tile[
                    :, left - across.start : right - across.start
                ]
        return out

    def whole(self) -> NDArray[Any]:
        """Values at preview size, (h, w) or (h, w, 3)."""
        return self._part(np.arange(self.small[0]), slice(0, self.small[1]))

    def _part(self, rows: NDArray[np.intp], cols: slice) -> NDArray[Any]:
        """Some rows and columns of the preview; neutral outside what is kept."""
        values = self.values
        out = np.full((len(rows), cols.stop - cols.start, *values.shape[2:]), self.neutral, values.dtype)
        inside = (rows >= self.top) & (rows < self.top + len(values))
        first, last = max(cols.start, self.left), min(cols.stop, self.left + values.shape[1])
        if first < last and inside.any():
            kept = values[:, first - self.left : last - self.left]
            out[inside, first - cols.start : last - cols.start] = kept[rows[inside] - self.top]
        return out


def _cells_along(first: int, count: int, ratio: float, of: int) -> tuple[int, int, float]:
    """Cells of so many preview pixels each that some preview pixels lie in: first, how many, and where that lies among these pixels.

    There is one more cell beyond each border of the picture.
    """
    begin = max(-1, floor((first + 0.5) / ratio - 0.5))
    end = min(of + 1, ceil((first + count - 0.5) / ratio - 0.5) + 1)
    return begin, max(1, end - begin), (begin + 0.5) * ratio - 0.5 - first


def _ends_in(full: slice, step: int) -> slice:
    """Cells that full-size pixels lie between."""
    return slice((2 * full.start + 1 - step) // (2 * step), (2 * full.stop - 1 - step) // (2 * step) + 2)


def _ends(full: slice, of: int, small: int) -> tuple[float, float]:
    """Where the first and the last full-size pixel lie among those of the preview."""
    return (full.start + 0.5) * (small / of) - 0.5, (full.stop - 0.5) * (small / of) - 0.5


def halved(picture: NDArray[Any]) -> NDArray[Any]:
    """Average a picture down to half its size: what is decided about light is smooth, and a quarter of the work.

    Parameters
    ----------
    picture : (h, w) or (h, w, C) uint8 or float32

    Returns
    -------
    (ceil(h / 2), ceil(w / 2)[, C]), same dtype
    """
    h, w = picture.shape[:2]
    return np.asarray(cv2.resize(picture, (-(-w // 2), -(-h // 2)), interpolation=cv2.INTER_AREA))


def times(picture: NDArray[Any], weight: NDArray[Any]) -> NDArray[np.float32]:
    """All channels times one weight, float32: (h, w, 3) and (h, w) to (h, w, 3); twice as fast as by broadcasting."""
    return np.asarray(cv2.multiply(picture, cv2.merge([weight, weight, weight])), np.float32)


def strongest(picture: NDArray[T]) -> NDArray[T]:
    """Brightest channel of each pixel: (h, w, 3) to (h, w); several times as fast as a maximum over an axis."""
    red, green, blue = cv2.split(picture)
    return np.asarray(cv2.max(cv2.max(red, green), blue))


def darkest(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Darkest channel of each pixel: (h, w, 3) to (h, w)."""
    red, green, blue = cv2.split(picture)
    return np.asarray(cv2.min(cv2.min(red, green), blue), np.float32)


def crop_field(values: NDArray[Any] | None, full: tuple[int, int], *, neutral: float = 0) -> Field | None:
    """Keep of a preview-size field only the rows and columns where it differs from `neutral`.

    Parameters
    ----------
    values : (h, w) or (h, w, 3) uint8 or uint16, or None
    full : (int, int)
        Height and width of the full-size picture.
    neutral : float
        The value that changes nothing.

    Returns
    -------
    Field or None
        None where it changes nothing anywhere.
    """
    if values is None:
        return None
    small = (values.shape[0], values.shape[1])
    active = values != neutral
    rows = np.flatnonzero(active.reshape(small[0], -1).any(axis=1))
    cols = np.flatnonzero(active.any(axis=0).reshape(small[1], -1).any(axis=1))
    if not len(rows):
        return None
    top, bottom = max(0, int(rows[0]) - MARGIN), min(small[0], int(rows[-1]) + 1 + MARGIN)
    left, right = max(0, int(cols[0]) - MARGIN), min(small[1], int(cols[-1]) + 1 + MARGIN)
    kept = values[top:bottom, left:right].copy()
    return Field(values=kept, top=top, left=left, neutral=neutral, small=small, full=full)


def nothing(full: tuple[int, int], small: tuple[int, int] = (1, 1)) -> Field:
    """Make a field that is zero everywhere, and matters nowhere."""
    return Field(values=np.zeros((0, 1), np.uint8), top=0, left=0, neutral=0, small=small, full=full)


def waiting(field: Field | None, drawer: Drawer) -> Field | None:
    """Let the values of a field wait in a drawer (`IN_MEMORY` takes them out)."""
    return None if field is None or field.drawer is drawer else replace(field, drawer=drawer)


def gain_field(gain: NDArray[np.float32] | None, full: tuple[int, int]) -> Field | None:
    """Keep a gain of linear light as factors on the root, in units of `UNITY`.

    Parameters
    ----------
    gain : (h, w, 3) float32, 0-256, or None
    full : (int, int)
    """
    if gain is None:
        return None
    root = cv2.sqrt(gain)
    return crop_field(cv2.addWeighted(root, UNITY, root, 0, 0, dtype=cv2.CV_16U), full, neutral=UNITY)


def stray_field(stray: NDArray[np.float32] | None, full: tuple[int, int]) -> Field | None:
    """Keep stray light, (h, w, 3) float32 in linear light 0-1 or None, in 65 535 steps.

    A step is a twentieth of an 8-bit level in the deepest shadow.
    """
    if stray is None:
        return None
    return crop_field(cv2.addWeighted(stray, 65535, stray, 0, 0, dtype=cv2.CV_16U), full)


def scaled_gain(gain: Field | None, change: NDArray[np.float32] | None, full: tuple[int, int]) -> Field | None:
    """Multiply a gain (of `gain_field`) by factors of linear light, (h, w, 3) float32 or None."""
    more = gain_field(change, full)
    if gain is None or more is None:
        return more if gain is None else gain
    return crop_field(cv2.multiply(gain.whole(), more.whole(), scale=1 / UNITY), full, neutral=UNITY)


def scaled_stray(stray: Field | None, change: NDArray[np.float32] | None) -> Field | None:
    """Multiply stray light (of `stray_field`) by factors of linear light, (h, w, 3) float32 or None."""
    if stray is None or change is None:
        return stray
    return crop_field(cv2.multiply(stray.whole(), change, dtype=cv2.CV_16U), stray.full)


def only(field: Field | None, active: NDArray[np.bool_]) -> Field | None:
    """Keep of a field what lies where `active`, (h, w) bool; elsewhere it changes nothing."""
    if field is None:
        return None
    values = field.whole()
    if active.shape != values.shape[:2]:
        active = cv2.resize(active.astype(np.uint8), values.shape[1::-1], interpolation=cv2.INTER_AREA) > 0
    kept = cv2.copyTo(values, active.astype(np.uint8), np.full_like(values, field.neutral))
    return crop_field(kept, field.full, neutral=field.neutral)


@lru_cache(1)  # asked for strip by strip, frame after frame
def within(stray: Field | None, reach: Field | None) -> Field | None:
    """Stray light where the frame takes part, or nearly so: elsewhere it need not be taken off."""
    if stray is None or reach is None:
        return stray
    return only(stray, cv2.dilate(reach.whole(), np.ones((9, 9), np.uint8)) > 0)


def stray_of(field: Field | None) -> NDArray[np.float32] | None:
    """Stray light, linear, (h, w, 3) float32, as `stray_field` has kept it."""
    return None if field is None else field.whole() * np.float32(1 / 65535)


@lru_cache(1)  # asked for strip by strip, frame after frame
def limited(gain: Field | None, reach: Field | None) -> Field | None:
    """One field for a gain and for where a frame takes part: factors on the root, 0 where it does not.

    Parameters
    ----------
    gain : Field or None
        Of `gain_field`, of any size.
    reach : Field or None
        255 where the frame takes part.
    """
    if reach is None:
        return gain
    share = np.rint(np.sqrt(reach.whole() / np.float32(255)) * UNITY).astype(np.uint16)
    factor = cv2.merge([share, share, share])
    if gain is not None:
        scaled = cv2.resize(gain.whole(), reach.small[::-1], interpolation=cv2.INTER_LINEAR)
        factor = cv2.multiply(scaled, factor, scale=1 / UNITY)
    return crop_field(factor, reach.full, neutral=UNITY)


def relight(
    encoded: NDArray[Any],
    factor: NDArray[np.uint16] | None = None,
    stray: NDArray[np.uint16] | None = None,
    *,
    levels: Levels | None = None,
    bench: Bench | None = None,
) -> NDArray[np.uint16]:
    """Scale and lower encoded values in linear light: ``encode(decode(v) * gain - stray)``.

    Parameters
    ----------
    encoded : (h, w, 3) uint8 or uint16
    factor : (h, w, 3) uint16, optional
        Square root of the gain, in units of `UNITY`.
    stray : (h, w, 3) uint16, optional
        Linear light to be taken off.
    levels : Levels, optional
        Of the values; by default those of files.
    bench : Bench, optional
        Where the result lies, under the name "sharp" like tiles that were warped: these are overwritten.

    Returns
    -------
    (h, w, 3) uint16
        Of levels `colour.SIXTEEN`; the values themselves where nothing is to be done.
    """
    levels = levels or colour.levels_of(encoded.dtype)
    if factor is None and stray is None and levels == colour.SIXTEEN:
        return encoded
    lit: NDArray[np.uint16] = (bench or Bench()).array("sharp", encoded.shape, np.uint16)
    if factor is None and stray is None:
        cv2.LUT(encoded, _encoded_table(levels), dst=lit)
        return lit
    cv2.LUT(encoded, _root_table(levels), dst=lit)
    if factor is not None:
        cv2.multiply(lit, factor, dst=lit, scale=1 / UNITY)
    if stray is not None:
        cv2.multiply(lit, lit, dst=lit, scale=1 / 65535)
        cv2.subtract(lit, stray, dst=lit)
    cv2.LUT(lit, _encode_table() if stray is None else _linear_table(), dst=lit)
    return lit


def weakened(encoded: NDArray[np.uint16], hidden: NDArray[np.uint8]) -> NDArray[np.uint16]:
    """Lower encoded values where a mask hides them: black at 255, untouched at 0, in proportion of their light between.

    Parameters
    ----------
    encoded : (h, w, 3) uint16
    hidden : (h, w) uint8
    """
    share = cv2.LUT(hidden, _share_table())
    lowered = from_root(cv2.multiply(to_root(encoded), cv2.merge([share, share, share]), scale=1 / 65535))
    return np.asarray(cv2.copyTo(encoded, (hidden == 0).view(np.uint8), lowered), np.uint16)


def limit_of_fill(mask: NDArray[np.uint8]) -> NDArray[np.uint16]:
    """Factor on the root that puts back all that a mask has taken, ``1 / sqrt(1 - mask / 255)``, in units of `UNITY`."""
    return np.asarray(cv2.LUT(mask, _limit_table()), np.uint16)


def encode(linear: NDArray[np.float32]) -> NDArray[np.uint16]:
    """Linear light to encoded values by table: like `colour.to_encoded` within two levels, many times as fast.

    Parameters
    ----------
    linear : (h, w, 3) float32; values outside 0-1 are clipped

    Returns
    -------
    (h, w, 3) uint16
    """
    return from_root(rooted(linear)).reshape(linear.shape)


def rooted(linear: NDArray[np.float32]) -> NDArray[np.uint16]:
    """Square roots of linear light, 0-65535; what lies outside 0-1 is clipped."""
    _, root = cv2.threshold(linear, 0, 0, cv2.THRESH_TOZERO)
    root = cv2.sqrt(root, dst=root)
    return np.asarray(cv2.addWeighted(root, 65535, root, 0, 0, dtype=cv2.CV_16U))  # rounds and saturates in one pass


def squared(root: NDArray[np.uint16]) -> NDArray[np.float32]:
    """Linear light, 0-1, of its square roots."""
    return np.asarray(cv2.multiply(root, root, scale=1 / 65535**2, dtype=cv2.CV_32F), np.float32)


def to_root(encoded: NDArray[Any]) -> NDArray[np.uint16]:
    """Encoded values, (h, w, 3) uint8 or uint16, to square roots of linear light, 0-65535."""
    return np.asarray(cv2.LUT(encoded, _root_table(colour.levels_of(encoded.dtype))), np.uint16)


def from_root(root: NDArray[Any]) -> NDArray[np.uint16]:
    """Square roots of linear light, (h, w, 3) uint16, to encoded values."""
    return np.asarray(cv2.LUT(root, _encode_table()), np.uint16)


@cache
def _encode_table() -> NDArray[np.uint16]:
    root = np.arange(65536, dtype=np.float64) / 65535
    table = colour.to_encoded((root * root).astype(np.float32))
    table[_root_table(colour.EIGHT)] = np.arange(256) * 257  # what an 8-bit file holds comes back bit for bit
    return _fixed(table)


@cache
def _root_table(levels: Levels) -> NDArray[np.uint16]:
    return _fixed(np.rint(np.sqrt(colour.decode_table(levels).astype(np.float64)) * 65535).astype(np.uint16))


@cache
def _encoded_table(levels: Levels) -> NDArray[np.uint16]:
    return _fixed(np.rint(levels.values() * 65535).astype(np.uint16))


@cache
def _linear_table() -> NDArray[np.uint16]:
    return _fixed(colour.to_encoded((np.arange(65536) / 65535).astype(np.float32)))


@cache
def _share_table() -> NDArray[np.uint16]:
    """By mask value: the root of what shows through, 65535 = all."""
    return _fixed(np.rint(np.sqrt((255 - np.arange(256)) / 255) * 65535).astype(np.uint16))


@cache
def _limit_table() -> NDArray[np.uint16]:
    left = np.maximum((255 - np.arange(256)) / 255, 1e-9)
    return _fixed(np.minimum(np.rint(UNITY / np.sqrt(left)), 65535).astype(np.uint16))


def _fixed(table: NDArray[np.uint16]) -> NDArray[np.uint16]:
    table.setflags(write=False)
    return table
