"""How likely each pixel of each frame shows lighting equipment (stand, head, boom, cable, assistant).

A small convolutional net looks at the cues of `cues.py`. How it was trained, and on what, is told and repeatable in
``benchmarks/training``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from importlib import resources
from threading import Lock
from typing import Any, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from . import cues, parallel
from .previews import Preview

T = TypeVar("T")

WEIGHTS = "equipment.onnx"
"""The net, in the package's folder ``weights``: ONNX, float32, inputs `coarse`, `fine` and `detail` as in `cues.Cues`, output
`logits`: one place a block of pixels, the pixels of a block (rows first) as channels."""

SIDE = 4
"""Pixels to each side of a block."""


MOST_COMPARED = 16
"""Frames that are compared with each other at once."""


def probability(previews: Sequence[Preview], ambient: Sequence[bool]) -> list[NDArray[np.float32]]:
    """Probability of equipment per pixel.

    Parameters
    ----------
    previews : N of Preview, (h, w), in one geometry and levelled
    ambient : N of bool
        Frames that hold no flash light.

    Returns
    -------
    list of N (h, w) float32, 0-1
        Zero where a frame does not reach, and everywhere for an ambient frame and for a single one.
    """
    return each(previews, ambient, lambda _, chance: chance)


def each(previews: Sequence[Preview], ambient: Sequence[bool], use: Callable[[int, NDArray[np.float32]], T]) -> list[T]:
    """Use the `probability` of every frame, so that not all are held at once: what `use` makes of (frame number, it)."""
    if len(previews) < 2:
        return [use(i, np.zeros(p.shape, np.float32)) for i, p in enumerate(previews)]
    net, made = parallel.once(_own_net), dict[int, T]()

    def compare(group: list[int]) -> None:
        chance_of = _compared([previews[i] for i in group], [ambient[i] for i in group], net)
        new = [i for i in group if i not in made]
        made.update(zip(new, parallel.each(lambda i: use(i, chance_of(group.index(i))), new), strict=True))

    for group in _groups(list(ambient)):
        compare(group)
    return [made[i] for i in range(len(previews))]


def _groups(ambient: list[bool]) -> list[list[int]]:
    """Split a long series: frames compared with a dozen others tell as much as with forty, and memory stays bounded.

    Every group spreads over the whole walk and holds the first ambient frame.
    """
    frames, day = list(range(len(ambient))), [ambient.index(True)] if any(ambient) else []
    if len(frames) <= MOST_COMPARED:
        return [frames]
    rest = [i for i in frames if i not in day]
    count = -(-len(rest) // (MOST_COMPARED - 1))
    return [sorted(day + rest[start::count]) for start in range(count)]


def _compared(
    previews: Sequence[Preview], ambient: Sequence[bool], net: Callable[[], Any]
) -> Callable[[int], NDArray[np.float32]]:
    """Compare the frames of a group; gives the probability of any one of them."""
    compared = cues.Comparison(previews, ambient)
    shape, in_turn = cues.working_shape(previews[0].shape), Lock()

    def one(i: int) -> NDArray[np.float32]:
        preview = previews[i]
        if ambient[i]:
            return np.zeros(preview.shape, np.float32)
        found = [compared.cues(i)]
        with in_turn:  # two nets would take 90 MB more, and no less time: the other thread has cues to make
            chance = _chance(net(), found.pop(), shape)
        if shape != preview.shape:
            method = cv2.INTER_AREA if preview.shape[0] < shape[0] else cv2.INTER_LINEAR
            chance = np.asarray(cv2.resize(chance, preview.shape[::-1], interpolation=method), np.float32)
        return np.where(preview.valid, np.clip(chance, 0, 1), np.float32(0))

    return one


def _chance(net: Any, found: cues.Cues, shape: tuple[int, int]) -> NDArray[np.float32]:
    """Run the net on one frame: probability per pixel of the working size, float32."""
    for name in ("coarse", "fine", "detail"):
        net.setInput(getattr(found, name)[None], name)
    del found  # the net has its own copy
    blocks = net.forward()[0]
    h, w = blocks.shape[1:]
    chance = 1 / (1 + cv2.exp(-blocks.reshape(SIDE * SIDE, -1)))
    pixels = chance.reshape(SIDE, SIDE, h, w).transpose(2, 0, 3, 1).reshape(SIDE * h, SIDE * w)
    return np.asarray(pixels[: shape[0], : shape[1]], np.float32)


def _own_net() -> Any:
    """Load a net; it keeps its inputs, so threads use it one after the other.

    OpenCV 5 has two engines; the classic one takes two thirds of the new one's time for 3 x 3 convolutions. It is only
    used for a net that is read from a file by name, which fails for some names on Windows.
    """
    with resources.as_file(resources.files(__package__).joinpath("weights", WEIGHTS)) as path:
        try:
            return cv2.dnn.readNetFromONNX(str(path), cv2.dnn.ENGINE_CLASSIC)
        except cv2.error:
            return cv2.dnn.readNetFromONNX(np.frombuffer(path.read_bytes(), np.uint8))
