"""Further files of a run: layers for other programs, a clip, a copy for the client."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import composite, deliver, encode
from .composite import Composite
from .metadata import Metadata
from .stack import FILLED

LAYERS, CLIP, DELIVERY, PNG = "layers.ora", "build_up.webp", "delivery.jpg", "composite.png"


@dataclass(frozen=True, slots=True, kw_only=True)
class Extras:
    """What else a run writes, and how.

    Attributes
    ----------
    layers : bool
        layers.ora: every aligned frame as a layer that lightens those below it, what its mask hides transparent, and the
        fill on top (OpenRaster).
    clip : bool
        build_up.webp: the picture growing lamp by lamp.
    delivery : int or None
        delivery.jpg, sRGB, with this long side in pixels.
    png : bool
        composite.png: the composite once more, as a 16-bit PNG.
    compression : str
        Of composite.tif: ``none`` or ``deflate``.
    keep_location : bool
        Keep the GPS fields of the reference.
    """

    layers: bool = False
    clip: bool = False
    delivery: int | None = None
    png: bool = False
    compression: str = "none"
    keep_location: bool = False


def write(
    folder: Path, result: Composite, finished: Callable[[], NDArray[Any]], carried: Metadata, extras: Extras
) -> None:
    """Write the further files into a run folder.

    Parameters
    ----------
    folder : Path
    result : Composite
    finished : callable
        Gives the finished picture, (H, W, 3) uint8 or uint16.
    carried : Metadata
    extras : Extras
    """
    if extras.layers:
        deliver.write_openraster(folder / LAYERS, _layers(result), result.pixels, icc=carried.icc)
    if extras.png:
        encode.write_png(folder / PNG, result.pixels, icc=carried.icc, exif=carried.exif, xmp=carried.xmp)
    if extras.clip:
        deliver.write_clip(folder / CLIP, _growing(result))
    if extras.delivery:
        deliver.write_delivery(folder / DELIVERY, finished(), carried=carried, long_side=extras.delivery)


def _layers(result: Composite) -> Iterator[tuple[str, NDArray[Any]]]:
    """Bottom to top, so that lightening them gives the composite bit for bit.

    Soft edges are in the pixels, as in the merge. A fill only raises what lies below it, so it is a lightening layer, too.
    """
    for d in composite.in_order(result.decisions.frames):
        pixels, hidden = composite.aligned(d, result.decisions)
        yield d.frame.name, deliver.layer(pixels, hidden)
    filled = result.coverage == FILLED
    if filled.any():
        yield "fill", deliver.layer(result.pixels, np.where(filled, 0, 255).astype(np.uint8))


def _growing(result: Composite) -> Iterator[NDArray[Any]]:
    grown: NDArray[Any] | None = None
    for d in composite.in_order(result.decisions.frames):
        pixels, _ = composite.aligned(d, result.decisions)
        small = deliver.shrunk(pixels, deliver.CLIP_SIDE)
        grown = small if grown is None else np.maximum(grown, small)
        yield grown
    yield deliver.shrunk(result.pixels, deliver.CLIP_SIDE)
