"""Fill: the light that a mask took away, put back as a ratio on what the other frames show.

The maximum of the other frames brings the surface's own texture; the ratio brings the light of the hidden
frame, carried in from the rim of its mask. Where the mask is wider than need be, the rim is taken further in. Nothing is invented: where no other frame shows the place there
is no texture, and where the rim is no brighter than the others there is no fill.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from . import light, parallel
from .drawer import Kept, Row
from .previews import Preview
from .recall import Recall, anew

SIGMAS = (1.0, 2.0, 4.0, 8.0, 16.0, 32.0)
"""Scales of the interpolation in half-size pixels (`light.halved`), each twice the one before; the widest crosses an
assistant's mask."""

FALL = 5.0
"""A rim pixel's say falls with this power of its distance; 3 smears shadow edges, 6 follows missed pieces."""

BEFORE_LOG = 0.7
"""Blur in half-size pixels before the ratio is taken: a ratio of noisy dark pixels is biased."""

DARK = 3e-4
"""Linear light added to both sides of a ratio: where nothing is lit, the ratio is 1."""

BAND_EV = 1.0
"""Distance of the brightness bands: rim pixels count most for hidden pixels about as bright in the other
frames, so that light does not run across the outline of a nearer or darker thing."""

BAND_SPREAD_EV = 0.6
"""Standard deviation of a band."""

OTHER_BANDS = 0.02
"""What a rim pixel counts in bands far from its own, for hidden pixels whose brightness the rim does not
have."""

LARGEST = 16.0
"""Largest ratio (4 EV): beyond it the noise of the other frames would show."""

AGREES = 0.2
"""Difference of log ratios up to which a hidden pixel's own light is what the rim says: 0.1 leaves half of the gain,
0.3 takes more of the light that heads leave on foliage."""

GROWN_PX = 4
"""Half-size pixels by which a rim may grow into a mask; masks are wider than the equipment by about that."""

AROUND = 96
"""Half-size pixels round a mask that are looked at."""

SEEN = 1.05
"""Ratio from which on fill shows (5 % more light)."""

_Field = NDArray[np.float32]
_Bools = NDArray[np.bool_]


def estimate(
    previews: Sequence[Preview],
    hidden: Sequence[NDArray[np.uint8]],
    ambient: Sequence[bool],
    plate: NDArray[np.float32] | None = None,
) -> tuple[_Field | None, ...]:
    """Ratio of each frame's own light to the other frames' maximum, behind its mask.

    Parameters
    ----------
    previews : sequence of Preview
        In the reference's geometry, daylight levelled, glow subtracted.
    hidden : sequence of (h, w) uint8
        Masks in the same geometry; a frame takes no part where its mask is above 127.
    ambient : sequence of bool
        Which frames hold no flash light: they are not filled.
    plate : (h, w, 3) float32, linear light, optional
        The scene without flash. Where it is given the frames are to be added up (rule `sum`), and a ratio is that of the
        sum with the frame's lamp to the sum of what is seen without it.

    Returns
    -------
    tuple of (h, w, 3) float32 or None
        0 to `LARGEST`, smooth within surfaces. It is 1 far from the mask and holds only where the mask hides:
        the light there is M * max(1, ratios of the frames that are hidden there), with M the maximum of the
        frames that are seen there. None for frames that need no fill.

    Notes
    -----
    Interpolation by inverse distance on the logarithm of the ratio, as a sum of Gaussians of growing width
    whose weights make it a power law. Where several frames are hidden at one place, each is measured against
    the others that are seen at its rim.
    """
    behind = one_by_one(previews.__getitem__, hidden, ambient, plate)

    def one(i: int) -> _Field | None:
        found = behind(i)
        return None if found is None else found.ratio()

    return tuple(parallel.each(one, range(len(previews))))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Behind:
    """What the fill behind one frame's mask is made of: half-size, in a box round the mask.

    Attributes
    ----------
    frame : (n, m, 3) float32
        Light of the frame.
    others : (n, m, 3) float32
        What the others show.
    rim : (n, m) bool
        Where both are seen, outside of the mask.
    usable : (n, m) bool
        Where both are known.
    total : (n, m, 3) float32 or None
        The sum that the ratio is applied to, where it is not `others`.
    box : (slice, slice)
    shape : (int, int)
        Height and width of the half-size picture.
    small : (int, int)
        Of the preview.
    """

    frame: _Field
    others: _Field
    rim: _Bools
    usable: _Bools
    total: _Field | None
    box: tuple[slice, slice]
    shape: tuple[int, int]
    small: tuple[int, int]

    @property
    def made_of(self) -> tuple[Hashable | NDArray[Any], ...]:
        """All that the ratio depends on (`recall`)."""
        place = tuple((s.start, s.stop) for s in self.box)
        return self.frame, self.others, self.rim, self.usable, self.total, place, self.shape, self.small

    def ratio(self) -> _Field:
        """The fill: (h, w, 3), as of `estimate`."""
        field = np.ones((*self.shape, 3), np.float32)
        if self.rim.any():
            rim = _grown(self.frame, self.others, self.rim, self.usable)
            field[self.box] = _ratio(self.frame, self.others, rim)
            if self.total is not None:
                more = np.maximum(field[self.box] - 1, 0)
                field[self.box] = 1 + more * (self.others + DARK) / (self.total + DARK)
        return np.asarray(cv2.resize(field, self.small[::-1], interpolation=cv2.INTER_LINEAR))


def one_by_one(
    preview: Callable[[int], Preview],
    hidden: Sequence[NDArray[np.uint8]],
    ambient: Sequence[bool],
    plate: NDArray[np.float32] | None = None,
    recall: Recall = anew,
) -> Callable[[int], Behind | None]:
    """Give what the fill of any frame is made of when asked, so that not all are held at once: `estimate` by frame number.

    Each preview is asked for once, and not kept; what is kept of it waits in its drawer.
    """

    def kept(i: int) -> tuple[Kept, Kept, Kept]:
        shown = preview(i)
        return recall(lambda: _kept(shown, hidden[i]), "seen", shown, hidden[i])

    seen = parallel.each(kept, range(len(hidden)))
    small, valid, gone = (Row(kept) for kept in zip(*seen, strict=True))
    below = None if plate is None else light.halved(plate)
    brightest = recall(lambda: _Brightest(small, valid, gone), "brightest", *seen) if below is None else None

    def shows() -> Iterator[_Bools]:
        return (v & ~g for v, g in zip(valid, gone, strict=True))

    def one(i: int) -> Behind | None:
        hides = gone[i]
        if ambient[i] or not hides.any() or hides.all():
            return None
        whole, total = (hides.shape[0], hides.shape[1]), None
        box = _box(hides)
        frame, seen, hides = small[i][box], valid[i][box], hides[box]
        if brightest is not None:
            others, covered = brightest.but(frame, seen & ~hides, box)
        elif below is not None:
            # Measured against lamps that are seen all over this mask: their light is the same at its rim and behind it.
            beside = (v & ~(g[box] & hides).any() for v, g in zip(valid, gone, strict=True))
            others, covered = _sum(small, beside, below, i, box), np.ones(hides.shape, bool)
            frame = others + np.maximum(frame - below[box], 0)
            total = _sum(small, shows(), below, i, box)  # the ratio is applied to the sum of what is seen
        return Behind(
            frame=frame,
            others=others,
            rim=seen & ~hides & covered,
            usable=seen & covered,
            total=total,
            box=box,
            shape=whole,
            small=(hidden[i].shape[0], hidden[i].shape[1]),
        )

    return one


def _kept(preview: Preview, mask: NDArray[np.uint8]) -> tuple[Kept, Kept, Kept]:
    """Light, where it is known and where it is hidden, half-size."""
    put = preview.drawer.put
    return (
        put(light.halved(preview.linear)),
        put(light.halved(preview.valid.astype(np.float32)) > 0.999),
        put(light.halved((mask > 127).astype(np.float32)) > 0),
    )


class _Brightest:
    """The maximum of all frames where they show; without any one of them it is either the same or the second."""

    def __init__(self, frames: Sequence[_Field], valid: Sequence[_Bools], gone: Sequence[_Bools]) -> None:
        self._first, self._second = np.zeros_like(frames[0]), np.zeros_like(frames[0])
        self._count = np.zeros(valid[0].shape, np.uint8)
        for frame, seen, hides in zip(frames, valid, gone, strict=True):
            show = seen & ~hides
            shown = frame * show[..., None]
            self._second = np.maximum(self._second, np.minimum(self._first, shown))
            self._first = np.maximum(self._first, shown)
            self._count += show

    def but(self, frame: _Field, show: _Bools, box: tuple[slice, slice]) -> tuple[_Field, _Bools]:
        """Maximum of the other frames in a box, and where any of them shows; given is what one frame has there."""
        first = self._first[box]
        others = np.where(frame * show[..., None] == first, self._second[box], first)
        return others, self._count[box] > show


def share(hidden: NDArray[np.uint8], field: _Field | None) -> float:
    """Share of the picture (0-1) that a frame's fill brightens visibly.

    Parameters
    ----------
    hidden : (h, w) uint8
    field : (h, w, 3) float32 or None
        As returned by `estimate`.
    """
    return 0.0 if field is None else float(np.mean((hidden > 127) & (light.strongest(field) > SEEN)))


def _box(gone: _Bools) -> tuple[slice, slice]:
    """Bound the mask and what lies around it."""
    rows, columns = np.nonzero(gone)
    return (
        slice(max(0, int(rows.min()) - AROUND), int(rows.max()) + AROUND + 1),
        slice(max(0, int(columns.min()) - AROUND), int(columns.max()) + AROUND + 1),
    )


def _sum(
    frames: Sequence[_Field], shows: Iterable[_Bools], below: _Field, but: int, box: tuple[slice, slice]
) -> _Field:
    """Daylight and the lamps of the other frames where they show."""
    total = below[box].copy()
    for j, (frame, show) in enumerate(zip(frames, shows, strict=True)):
        if j != but:
            total += np.maximum(frame[box] - below[box], 0) * show[box][..., None]
    return total


def _grown(frame: _Field, others: _Field, rim: _Bools, usable: _Bools) -> _Bools:
    """Rim (h, w) with the pixels behind the mask's edge that show the light the rim lets expect.

    Masks are drawn wider than the equipment; what they hide too much of is measured light, and closer to the
    hole than the rim. A pixel of the equipment that agrees by chance says nothing wrong.
    """
    carried = np.log(_ratio(frame, others, rim))
    own = np.log((_blur(frame) + DARK) / (_blur(others) + DARK))
    near = cv2.distanceTransform((~rim).astype(np.uint8), cv2.DIST_L2, 3) <= GROWN_PX
    agrees = rim | (near & usable & (np.abs(own - carried).max(axis=2) < AGREES))
    whole = cv2.morphologyEx(agrees.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)) > 0
    return np.asarray(rim | whole)


def _ratio(frame: _Field, others: _Field, rim: _Bools) -> _Field:
    """Ratio (h, w, 3), measured on `rim` and carried on by distance within bands of brightness."""
    weight = rim.astype(np.float32)
    alike = np.asarray(cv2.merge([weight] * 3), np.float32)
    dark = np.maximum(DARK * _blur(alike), np.float32(1e-9))
    ratio = cv2.divide(_blur(frame * alike) + dark, _blur(others * alike) + dark)
    log = cv2.merge([*cv2.split(cv2.log(ratio) * alike), weight])
    brightness = np.log2(others.mean(axis=2) + DARK)
    low, high = float(brightness.min()), float(brightness.max())
    bands = np.linspace(low, high, max(1, int(np.ceil((high - low) / BAND_EV))) + 1)
    step = max(float(bands[1] - bands[0]), 1e-6)
    result = [np.zeros_like(weight) for _ in range(3)]
    for band in bands:
        away = brightness - np.float32(band)
        mix = np.clip(1 - np.abs(away) / step, 0, 1)
        if mix.any():
            counts = cv2.exp(np.float32(-0.5 / BAND_SPREAD_EV**2) * away * away) + np.float32(OTHER_BANDS)
            counted = np.asarray(cv2.multiply(log, cv2.merge([counts] * 4)), np.float32)
            *carried, weights = cv2.split(_carried(counted))
            mix /= np.maximum(weights, np.float32(1e-20))
            for plane, part in zip(result, carried, strict=True):
                plane += mix * part
    return np.asarray(np.minimum(cv2.exp(cv2.merge(result)), np.float32(LARGEST)))


def _carried(weighted: _Field) -> _Field:
    """Sum over all pixels of (h, w, 4) by inverse distance to the power `FALL`: Gaussians, the wide ones on smaller pictures."""
    shares = [np.float32(sigma ** (2 - FALL)) for sigma in SIGMAS]
    smaller = [weighted]
    for _ in SIGMAS[2:]:
        smaller.append(light.halved(smaller[-1]))
    total = shares[-1] * cv2.GaussianBlur(smaller[-1], (0, 0), SIGMAS[1])
    for picture, share in zip(smaller[-2::-1], shares[-2:0:-1], strict=True):
        total = share * cv2.GaussianBlur(picture, (0, 0), SIGMAS[1]) + _enlarged(total, picture)
    return np.asarray(total + shares[0] * cv2.GaussianBlur(weighted, (0, 0), SIGMAS[0]), np.float32)


def _enlarged(picture: _Field, like: _Field) -> _Field:
    return np.asarray(cv2.resize(picture, like.shape[1::-1], interpolation=cv2.INTER_LINEAR))


def _blur(field: _Field) -> _Field:
    """Average away the noise before a ratio is taken."""
    return np.asarray(cv2.GaussianBlur(field, (0, 0), BEFORE_LOG))
