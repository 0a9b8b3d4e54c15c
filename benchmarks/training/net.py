"""The small net: a U-shaped stack of 3x3 convolutions over the cues, five sizes, residual blocks. Training only (torch)."""

from __future__ import annotations

import torch
from torch import Tensor, nn

from lampwalk import cues

WIDTHS = (16, 24, 40, 56, 56)
"""Channels at half size, quarter size, ... The deepest level sees about 400 px of the working size to each side."""

BLOCKS = (1, 1, 2, 2, 2)
"""Residual blocks on the way down; on the way up there is one of each."""


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
    """(n, coarse, h, w) and (n, detail, 2h, 2w) to logits (n, 1, 2h, 2w)."""

    def __init__(self) -> None:
        super().__init__()
        self.coarse = conv(cues.COARSE_CHANNELS, WIDTHS[0])
        self.detail = conv(cues.DETAIL_CHANNELS, WIDTHS[0], side=4, stride=2)
        self.down = nn.ModuleList(conv(a, b, stride=2) for a, b in zip(WIDTHS, WIDTHS[1:], strict=False))
        self.blocks = nn.ModuleList(
            nn.Sequential(*(Residual(w) for _ in range(n))) for w, n in zip(WIDTHS, BLOCKS, strict=True)
        )
        self.lift = nn.ModuleList(conv(b, a, side=1) for a, b in zip(WIDTHS, WIDTHS[1:], strict=False))
        self.up = nn.ModuleList(Residual(w) for w in WIDTHS[:-1])
        self.out = nn.Conv2d(WIDTHS[0], 4, 3, 1, 1)
        nn.init.constant_(self.out.bias, -3.0)

    def forward(self, coarse: Tensor, detail: Tensor) -> Tensor:
        x = torch.relu(self.coarse(coarse) + self.detail(detail))
        skips = []
        for level, block in enumerate(self.blocks):
            if level:
                x = torch.relu(self.down[level - 1](x))
            x = block(x)
            skips.append(x)
        for level in range(len(WIDTHS) - 2, -1, -1):
            x = nn.functional.interpolate(self.lift[level](x), scale_factor=2.0, mode="nearest")
            x = self.up[level](torch.relu(x + skips[level]))
        return nn.functional.pixel_shuffle(self.out(x), 2)


def export(net: Net, path: str) -> None:
    """Write the net as ONNX, batch normalisation folded in, sizes free."""
    net = net.cpu().float().eval()
    example = (torch.zeros(1, cues.COARSE_CHANNELS, 64, 64), torch.zeros(1, cues.DETAIL_CHANNELS, 128, 128))
    axes = {"coarse": {2: "h", 3: "w"}, "detail": {2: "H", 3: "W"}, "logits": {2: "H", 3: "W"}}
    torch.onnx.export(
        net,
        example,
        path,
        input_names=["coarse", "detail"],
        output_names=["logits"],
        dynamic_axes=axes,
        opset_version=17,
        dynamo=False,
    )
