"""The small net: a U-shaped stack of 3x3 convolutions over the cues, four sizes, residual blocks. Training only (torch).

All work is done at a quarter of the working size and below, with the pixels of a 4 x 4 block as channels: a convolution of
few channels on a large map waits for memory (OpenCV, one thread: 16 channels at half size 28, 64 channels at an eighth
98 thousand million products a second).
"""

from __future__ import annotations

import numpy as np
import onnx
import torch
from onnx import TensorProto, helper, numpy_helper
from torch import Tensor, nn

from lampwalk import cues

WIDTHS = (24, 48, 80, 96)
"""Channels at a quarter of the working size, an eighth, ... The deepest level sees the whole picture."""

BLOCKS = (0, 2, 2, 2)
"""Residual blocks on the way down; on the way up there is one of each."""

SIDE = 4
"""Pixels to each side of a block of the working size: one place of the upper level, 16 logits."""


def conv(a: int, b: int, *, side: int = 3, stride: int = 1) -> nn.Sequential:
    padding = (side - stride + 1) // 2
    return nn.Sequential(nn.Conv2d(a, b, side, stride, padding, bias=False), nn.BatchNorm2d(b))


class Residual(nn.Module):
    def __init__(self, width: int) -> None:
        super().__init__()
        self.first, self.second = conv(width, width), conv(width, width)

    def forward(self, x: Tensor) -> Tensor:
        return torch.relu(x + self.second(torch.relu(self.first(x))))


class Net(nn.Module):
    """(n, coarse, h, w), (n, fine, 2h, 2w) and (n, detail, 4h, 4w) to logits (n, 16, h, w): see `unfold`."""

    def __init__(self, widths: tuple[int, ...] = WIDTHS, blocks: tuple[int, ...] = BLOCKS) -> None:
        super().__init__()
        pairs = list(zip(widths, widths[1:], strict=False))
        self.coarse = conv(cues.COARSE_CHANNELS, widths[0])
        self.fine = conv(cues.FINE_CHANNELS, widths[0], side=2, stride=2)
        self.detail = conv(cues.DETAIL_CHANNELS, widths[0], side=SIDE, stride=SIDE)
        self.down = nn.ModuleList(nn.Sequential(nn.MaxPool2d(2), conv(a, b)) for a, b in pairs)
        self.blocks = nn.ModuleList(
            nn.Sequential(*(Residual(w) for _ in range(n))) for w, n in zip(widths, blocks, strict=True)
        )
        self.lift = nn.ModuleList(conv(b, a, side=1) for a, b in pairs)
        self.up = nn.ModuleList(Residual(w) for w in widths[:-1])
        self.out = nn.Conv2d(widths[0], SIDE * SIDE, 3, 1, 1)
        nn.init.constant_(self.out.bias, -3.0)

    def forward(self, coarse: Tensor, fine: Tensor, detail: Tensor) -> Tensor:
        x = torch.relu(self.coarse(coarse) + self.fine(fine) + self.detail(detail))
        skips = []
        for level, block in enumerate(self.blocks):
            if level:
                x = torch.relu(self.down[level - 1](x))
            x = block(x)
            skips.append(x)
        for level in range(len(self.up) - 1, -1, -1):
            x = nn.functional.interpolate(self.lift[level](x), scale_factor=2.0, mode="nearest")
            x = self.up[level](torch.relu(x + skips[level]))
        return self.out(x)


def unfold(logits: Tensor) -> Tensor:
    """Logits of blocks (n, 16, h, w), rows of a block first, to those of pixels (n, 1, 4h, 4w)."""
    return nn.functional.pixel_shuffle(logits, SIDE)


def export(net: Net, path: str) -> None:
    """Write the net as ONNX, batch normalisation folded in, sizes free, weights stored in half precision."""
    net = net.cpu().float().eval()
    channels = (cues.COARSE_CHANNELS, cues.FINE_CHANNELS, cues.DETAIL_CHANNELS)
    example = tuple(torch.zeros(1, c, side, side) for c, side in zip(channels, (64, 128, 256), strict=True))
    names = ["coarse", "fine", "detail"]
    axes = {name: {2: f"h_{name}", 3: f"w_{name}"} for name in names} | {"logits": {2: "h_coarse", 3: "w_coarse"}}
    torch.onnx.export(
        net,
        example,
        path,
        input_names=names,
        output_names=["logits"],
        dynamic_axes=axes,
        opset_version=17,
        dynamo=False,
    )
    _halve(path)


def _halve(path: str) -> None:
    """Store the kernels as float16, cast to float32 when the file is read: half the size (0.1 % of a logit's spread)."""
    model = onnx.load(path)
    graph = model.graph
    for kernel in [t for t in graph.initializer if len(t.dims) == 4]:
        small = numpy_helper.from_array(numpy_helper.to_array(kernel).astype(np.float16), kernel.name + "_half")
        graph.initializer.remove(kernel)
        graph.initializer.append(small)
        graph.node.insert(0, helper.make_node("Cast", [small.name], [kernel.name], to=TensorProto.FLOAT))
    onnx.checker.check_model(model)
    onnx.save(model, path)
