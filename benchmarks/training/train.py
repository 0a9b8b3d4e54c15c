"""Generate series, train the net on them while more are made, write it as ONNX.

python benchmarks/training/train.py --cutouts FOLDER --output FOLDER [--seconds S] [--scenes FOLDER --further S]

Needs PyTorch and ONNX beside the package; a graphics card makes it a matter of minutes. Examples come in a ring: the
oldest go when it is full, so that the net sees each for a while only.
"""

from __future__ import annotations

import argparse
import copy
import json
import math
import multiprocessing
import queue
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import torch
from torch import Tensor

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "src"))

import examples
from net import Net, export, unfold

import scenes

BATCH = 96
RATE = 3e-3
DECAY = 0.03
DICE = 0.5
"""Share of the Dice term: keeps thin, rare equipment from drowning in the background."""

JITTER = 0.07
"""Each channel of an example is stretched by about this share, anew at each step."""

PART = 112
"""Quarter-size pixels of an example that take part in a step, cut anew at each step."""

AVERAGE = 0.999
"""Weights are averaged over about the last 1 / (1 - AVERAGE) steps; the average is what is kept."""

SCENE_SEED, SCENE_SHARE = 900000, 0.35
"""Numbers of scenes read from disk start here; and their share of a step in further training."""

HELD_BACK, HELD_MOST = 20, 500
"""One series in so many is kept for validation, at most so many examples."""

LARGEST_SERIES = 50
"""Examples that one series yields at most."""

FIRST = 500
"""Examples at which training begins."""

LARGEST_STEP = 1.0
"""Norm to which a step's gradient is cut."""


class Ring:
    """Examples on the device; when it is full, a new one takes the place of the oldest."""

    def __init__(self, capacity: int, device: torch.device) -> None:
        self.capacity, self.device, self.seen = capacity, device, 0
        self.data: dict[str, Tensor] = {}

    @property
    def full(self) -> bool:
        """Whether no whole series is sure to fit any more."""
        return len(self) >= self.capacity - LARGEST_SERIES

    def __len__(self) -> int:
        return min(self.seen, self.capacity)

    def add(self, seed: int, folder: Path) -> None:
        """Take over the examples of one series and delete their files."""
        count = 0
        for name in examples.SIZES:
            file = folder / f"{seed:06d}_{name}.npy"
            values = torch.from_numpy(np.load(file)).to(self.device)
            file.unlink()
            if name not in self.data:
                self.data[name] = torch.empty(
                    (self.capacity, *values.shape[1:]), dtype=values.dtype, device=self.device
                )
            count = len(values)
            at = torch.arange(self.seen, self.seen + count, device=self.device) % self.capacity
            self.data[name][at] = torch.nan_to_num(values)
        self.seen += count

    def some(self, count: int) -> list[Tensor]:
        """Give `count` examples at random."""
        pick = torch.randint(len(self), (count,), device=self.device)
        return [self.data[name][pick] for name in examples.SIZES]


class Source:
    """Series made by other processes, sorted into rings: to learn from, held back, and scenes read from disk."""

    def __init__(self, jobs: list[tuple[int, Path, Path]], workers: int, capacity: int, device: torch.device) -> None:
        self.folder = jobs[0][2]
        self.learned, self.held = Ring(capacity, device), Ring(HELD_MOST, device)
        self.scenes = Ring(2000, device)
        self.series = 0
        self.done: queue.Queue[int] = queue.Queue()
        threading.Thread(target=self._make, args=(jobs, workers), daemon=True).start()

    def _make(self, jobs: list[tuple[int, Path, Path]], workers: int) -> None:
        with multiprocessing.get_context("spawn").Pool(workers) as pool:
            for seed in pool.imap_unordered(_job, jobs):
                if seed is not None:
                    self.done.put(seed)

    def collect(self) -> None:
        """Take over what has been made since the last time."""
        while not self.done.empty():
            seed = self.done.get()
            held = seed % HELD_BACK == 0 and not self.held.full
            ring = self.scenes if seed >= SCENE_SEED else self.held if held else self.learned
            if ring is not self.learned or seed % HELD_BACK:
                ring.add(seed, self.folder)
                self.series += 1


def _job(job: tuple[int, Path, Path]) -> int | None:
    try:
        return job[0] if (scenes if job[0] >= SCENE_SEED else examples).make(*job) else None
    except Exception as error:  # one odd scene must not end the run; it is told and left out
        print(f"series {job[0]}: {type(error).__name__}: {error}", flush=True)
        return None


def loss_of(logits: Tensor, truth: Tensor) -> Tensor:
    """Weighted cross-entropy plus Dice; truth (n, 2, H, W) uint8 holds label and 50 times the weight."""
    label, weight = truth[:, :1].float(), truth[:, 1:].float() / 50
    each = torch.nn.functional.binary_cross_entropy_with_logits(logits.float(), label, reduction="none")
    entropy = (each * weight).mean()
    p = torch.sigmoid(logits.float())
    both = (p * label * weight).sum((1, 2, 3))
    dice = 1 - (2 * both + 200) / ((p * weight).sum((1, 2, 3)) + (label * weight).sum((1, 2, 3)) + 200)
    return entropy * 4 + DICE * dice.mean()


def train(net: Net, source: Source, seconds: float, output: Path, *, rate: float = RATE, share: float = 0.0) -> Net:
    """Train a net for so long, with this share of scenes from disk.

    Returns the averaged weights, as they were when they did best on the series kept back.
    """
    device = source.learned.device
    net = net.to(device).to(memory_format=torch.channels_last).train()
    mean = torch.optim.swa_utils.AveragedModel(
        net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(AVERAGE), use_buffers=True
    )
    optimizer = torch.optim.AdamW(net.parameters(), lr=rate, weight_decay=DECAY)
    start, told, total = time.time(), time.time(), torch.zeros((), device=device)
    step, last, kept, lowest = 0, 0, None, math.inf
    while (passed := (time.time() - start) / seconds) < 1:
        if step % 20 == 0:
            source.collect()
        optimizer.param_groups[0]["lr"] = rate * min(1, passed / 0.05) * (1 + math.cos(math.pi * passed)) / 2
        inputs, truth = _batch(source, share, mirror=bool(step % 2))
        with torch.autocast(device.type, torch.bfloat16):
            logits = net(*(x * (1 + JITTER * torch.randn(*x.shape[:2], 1, 1, device=device)) for x in inputs))
        loss = loss_of(unfold(logits), truth)
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), LARGEST_STEP)
        optimizer.step()
        mean.update_parameters(net)
        total += loss.detach()
        step += 1
        if time.time() - told > 60:
            figures = {"step": step, "series": source.series, "examples": source.learned.seen}
            figures |= {"training": float(total) / (step - last)} | validate(copy.deepcopy(mean.module), source.held)
            print(f"{time.time() - start:.0f} s", figures, flush=True)
            torch.save(mean.module.state_dict(), output / "running.pt")
            if figures["loss"] < lowest and source.held.full:
                kept, lowest = copy.deepcopy(mean.module), figures["loss"]
            last, told, total = step, time.time(), torch.zeros((), device=device)
    better = kept is not None and lowest < validate(copy.deepcopy(mean.module), source.held)["loss"]
    return kept if better else mean.module


def _batch(source: Source, share: float, *, mirror: bool) -> tuple[list[Tensor], Tensor]:
    """Examples of one step: inputs, and truth; a part of each, cut at the same place."""
    count = round(BATCH * share)
    parts = source.learned.some(BATCH - count)
    if count:
        parts = [torch.cat(pair) for pair in zip(parts, source.scenes.some(count), strict=True)]
    y, x = torch.randint(examples.CROP - PART + 1, (2,)).tolist()
    for k, side in enumerate(examples.SIZES.values()):
        cut = parts[k][..., side * y : side * (y + PART), side * x : side * (x + PART)]
        parts[k] = cut.flip(-1) if mirror else cut
    return [p.float().contiguous(memory_format=torch.channels_last) for p in parts[:-1]], parts[-1]


@torch.no_grad()
def validate(net: Net, ring: Ring) -> dict[str, float]:
    """Loss, recall and precision at 0.5 on series never trained on."""
    net.eval()
    losses, hit, found, wanted = [], 0, 0, 0
    for at in range(0, len(ring), 20):
        *inputs, t = (ring.data[name][at : min(at + 20, len(ring))] for name in examples.SIZES)
        logits = unfold(net(*(x.float() for x in inputs)))
        losses.append(float(loss_of(logits, t)))
        counted = t[:, 1:] >= 50
        p, label = (logits > 0) & counted, (t[:, :1] > 0) & counted
        hit, found, wanted = hit + int((p & label).sum()), found + int(p.sum()), wanted + int(label.sum())
    return {"loss": float(np.mean(losses)), "recall": hit / max(1, wanted), "precision": hit / max(1, found)}


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("--cutouts", type=Path, required=True)
    p.add_argument("--output", type=Path, required=True)
    p.add_argument("--scratch", type=Path, default=Path(tempfile.gettempdir()) / "examples")
    p.add_argument("--first", type=int, default=0, help="first seed")
    p.add_argument("--series", type=int, default=20000, help="series at most")
    p.add_argument("--seconds", type=float, default=1200, help="of training, while series are made")
    p.add_argument("--start", type=Path, help="weights (running.pt, net.pt) to go on from, at 0.8 of the rate")
    p.add_argument("--scenes", type=Path, help="folder of rendered scenes with truth, to train on further at the end")
    p.add_argument("--further", type=float, default=240, help="seconds of that")
    p.add_argument("--capacity", type=int, default=11500, help="examples kept on the device, 4 MB each")
    p.add_argument("--workers", type=int, default=16)
    a = p.parse_args()
    cards = torch.cuda.device_count()  # series are made on the first card, training takes the last
    device = torch.device(f"cuda:{cards - 1}" if cards else "cpu")
    torch.backends.cudnn.benchmark = True
    for folder in (a.scratch, a.output):
        folder.mkdir(parents=True, exist_ok=True)
    jobs = [(seed, a.cutouts, a.scratch) for seed in range(a.first, a.first + a.series)]
    folders = sorted(d for d in a.scenes.iterdir() if d.is_dir()) if a.scenes else []
    jobs = [(SCENE_SEED + k, folder, a.scratch) for k, folder in enumerate(folders)] + jobs
    source = Source(jobs, a.workers, a.capacity, device)
    while source.learned.seen < FIRST or not source.held.seen:
        time.sleep(1)
        source.collect()
    torch.manual_seed(a.first)
    net = Net()
    if a.start:
        net.load_state_dict(torch.load(a.start, map_location="cpu"))
    net = train(net, source, a.seconds, a.output, rate=RATE * (0.8 if a.start else 1))
    write(net, source, a.output / "held-out")
    if folders:
        net = train(net, source, a.further, a.output, rate=RATE / 4, share=SCENE_SHARE)
        write(net, source, a.output / "final")


def write(net: Net, source: Source, folder: Path) -> None:
    """Store weights, the net as ONNX and its figures."""
    folder.mkdir(parents=True, exist_ok=True)
    torch.save(net.state_dict(), folder / "net.pt")
    copied = copy.deepcopy(net)
    figures = validate(copied, source.held) | {"series": source.series, "examples": source.learned.seen}
    print(figures, flush=True)
    (folder / "figures.json").write_text(json.dumps(figures))
    export(copied, str(folder / "equipment.onnx"))


if __name__ == "__main__":
    main()
