"""How likely each pixel of each frame shows lighting equipment (stand, head, boom, cable, assistant).

A small convolutional net looks at the cues of `cues.py`. How it was trained, and on what, is told and repeatable in
``benchmarks/training``.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from importlib import resources
from threading import local
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from . import cues, parallel
from .previews import Preview

WEIGHTS = "equipment.onnx"
"""The net, in the package's folder ``weights``: ONNX, float32, inputs `coarse` and `detail`, output `logits`."""


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
        Zero where a frame does not reach, and everywhere for a single frame.
    """
    if len(previews) < 2:
        return [np.zeros(p.shape, np.float32) for p in previews]
    compared = cues.Comparison(previews, ambient)

    def one(i: int) -> NDArray[np.float32]:
        preview = previews[i]
        chance = 1 / (1 + np.exp(-_logits(*compared.cues(i))))
        if chance.shape != preview.shape:
            smaller = preview.shape[0] < chance.shape[0]
            method = cv2.INTER_AREA if smaller else cv2.INTER_LINEAR
            chance = np.asarray(cv2.resize(chance, preview.shape[::-1], interpolation=method), np.float64)
        return np.where(preview.valid, np.clip(chance, 0, 1), 0).astype(np.float32)

    return parallel.each(one, range(len(previews)))


def _logits(coarse: cues.Map, detail: cues.Map) -> cues.Map:
    """Run the net on one frame: (C, h, w) and (D, 2h, 2w) to (2h, 2w)."""
    h, w = coarse.shape[1:]
    below, right = -h % cues.MULTIPLE, -w % cues.MULTIPLE
    wide = np.pad(coarse, ((0, 0), (0, below), (0, right)), mode="edge")[None]
    fine = np.pad(detail, ((0, 0), (0, 2 * below), (0, 2 * right)), mode="edge")[None]
    net = _own_net()
    net.setInput(wide, "coarse")
    net.setInput(fine, "detail")
    return np.array(net.forward()[0, 0, : 2 * h, : 2 * w], np.float32)


def _own_net() -> Any:
    """Give this thread's net: a net keeps its inputs, so threads cannot share one."""
    if not hasattr(_thread, "net"):
        _thread.net = cv2.dnn.readNetFromONNX(_weights())
    return _thread.net


@cache
def _weights() -> NDArray[np.uint8]:
    return np.frombuffer(resources.files(__package__).joinpath("weights", WEIGHTS).read_bytes(), np.uint8)


_thread = local()
