"""Generate examples, train the net, write it as ONNX.

python benchmarks/training/train.py --cutouts FOLDER --output FOLDER [--series N] [--steps N]

Needs PyTorch and ONNX beside the package; a graphics card makes it a matter of minutes.
"""

from __future__ import annotations

import argparse
import copy
import json
import multiprocessing
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import torch
from torch import Tensor

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "src"))

import examples
from net import Net, export

import scenes

BATCH = 48
RATE = 3e-3
DECAY = 0.01
DICE = 0.5
"""Share of the Dice term: keeps thin, rare equipment from drowning in the background."""

SCENE_SEED = 900000
"""Numbers of scenes read from disk start here; generated ones stay below."""

HELD_BACK = 20
"""One series in so many is kept for validation."""


def generate(first: int, count: int, seconds: float, cutouts: Path, folder: Path, workers: int) -> list[int]:
    """Make `count` series with seeds from `first`, or as many as `seconds` allow; returns the seeds made."""
    folder.mkdir(parents=True, exist_ok=True)
    start, made, frames = time.time(), [], 0
    context = multiprocessing.get_context("spawn")
    jobs = [(seed, cutouts, folder) for seed in range(first, first + count)]
    with context.Pool(workers, maxtasksperchild=None) as pool:
        for seed, n in pool.imap_unordered(_job, jobs):
            if n:
                made.append(seed)
                frames += n
            if time.time() - start > seconds:
                pool.terminate()
                break
    print(f"{len(made)} series, {frames} examples in {time.time() - start:.0f} s", flush=True)
    return sorted(made)


def _job(job: tuple[int, Path, Path]) -> tuple[int, int]:
    try:
        return job[0], examples.make(*job)
    except Exception as error:  # one odd scene must not end the run; it is told and left out
        print(f"series {job[0]}: {type(error).__name__}: {error}", flush=True)
        return job[0], 0


def load(seeds: list[int], folder: Path, device: torch.device) -> dict[str, Tensor]:
    """All examples of these series on the device."""
    result = {}
    for name in ("coarse", "detail", "truth"):
        files = [folder / f"{seed:06d}_{name}.npy" for seed in seeds]
        heads = [np.load(f, mmap_mode="r") for f in files]
        total = torch.empty(
            (sum(len(a) for a in heads), *heads[0].shape[1:]),
            dtype=torch.from_numpy(heads[0][:1].copy()).dtype,
            device=device,
        )
        at = 0
        for f in files:
            a = torch.from_numpy(np.load(f))
            total[at : at + len(a)] = torch.nan_to_num(a.to(device))
            at += len(a)
        result[name] = total
    return result


def loss_of(logits: Tensor, truth: Tensor) -> Tensor:
    """Weighted cross-entropy plus Dice; truth (n, 2, H, W) uint8 holds label and 50 times the weight."""
    label, weight = truth[:, :1].float(), truth[:, 1:].float() / 50
    each = torch.nn.functional.binary_cross_entropy_with_logits(logits.float(), label, reduction="none")
    entropy = (each * weight).mean()
    p = torch.sigmoid(logits.float())
    both = (p * label * weight).sum((1, 2, 3))
    dice = 1 - (2 * both + 200) / ((p * weight).sum((1, 2, 3)) + (label * weight).sum((1, 2, 3)) + 200)
    return entropy * 4 + DICE * dice.mean()


def train(
    data: dict[str, Tensor],
    steps: int,
    device: torch.device,
    seed: int,
    *,
    start_from: Net | None = None,
    often: int = 0,
) -> Net:
    """Train for so many steps, from scratch or further on; each of the last `often` examples counts as four."""
    torch.manual_seed(seed)
    net = start_from or Net()
    net = net.to(device).to(memory_format=torch.channels_last).train()
    rate = RATE / 4 if start_from else RATE
    groups = [p for p in net.parameters() if p.requires_grad]
    optimizer = torch.optim.AdamW(groups, lr=rate, weight_decay=DECAY)
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimizer, rate, total_steps=steps, pct_start=0.08)
    count, start = len(data["coarse"]), time.time()
    recent = 0.0
    for step in range(steps):
        pick = torch.randint(count + 3 * often, (BATCH,), device=device)
        pick = torch.where(pick < count, pick, count - often + (pick - count) % max(1, often))
        c, d, t = (data[k][pick] for k in ("coarse", "detail", "truth"))
        if step % 2:
            c, d, t = c.flip(-1), d.flip(-1), t.flip(-1)
        with torch.autocast(device.type, torch.bfloat16):
            logits = net(c.float().contiguous(memory_format=torch.channels_last), d.float())
        loss = loss_of(logits, t)
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(groups, 1.0)
        optimizer.step()
        schedule.step()
        if step % 200 == 0:
            recent = float(loss.detach())
            print(f"step {step} loss {recent:.4f} {time.time() - start:.0f} s", flush=True)
    return net


@torch.no_grad()
def validate(net: Net, data: dict[str, Tensor]) -> dict[str, float]:
    """Loss, recall and precision at 0.5 on series never trained on."""
    net.eval()
    losses, hit, found, wanted = [], 0, 0, 0
    for at in range(0, len(data["coarse"]), 16):
        c, d, t = (data[k][at : at + 16] for k in ("coarse", "detail", "truth"))
        logits = net(c.float(), d.float())
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
    p.add_argument("--series", type=int, default=700)
    p.add_argument("--steps", type=int, default=8000)
    p.add_argument("--seconds", type=float, default=1e9, help="stop generating after so long")
    p.add_argument("--scenes", type=Path, help="folder of rendered scenes with truth, to train on further at the end")
    p.add_argument("--further", type=int, default=1200, help="steps of that")
    p.add_argument("--workers", type=int, default=16)
    a = p.parse_args()
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    if a.series:
        generate(a.first, a.series, a.seconds, a.cutouts, a.scratch, a.workers)
    seeds = sorted(int(f.name[:6]) for f in a.scratch.glob("*_truth.npy"))
    seeds = [
        s
        for s in seeds
        if s < SCENE_SEED
        and all((a.scratch / f"{s:06d}_{k}.npy").stat().st_size > 1e6 for k in ("coarse", "detail", "truth"))
    ]
    learned = load([s for s in seeds if s % HELD_BACK], a.scratch, device)
    net = train(learned, a.steps, device, seed=a.first)
    held = load([s for s in seeds if s % HELD_BACK == 0], a.scratch, device)
    write(net, validate(net, held), learned, a.output / "held-out")
    if a.scenes:
        folders = sorted(d for d in a.scenes.iterdir() if d.is_dir())
        numbers = [SCENE_SEED + k for k in range(len(folders))]
        for folder, number in zip(folders, numbers, strict=True):
            scenes.make(folder, number, a.scratch)
        extra = load(numbers, a.scratch, device)
        often = len(extra["coarse"])
        for k in list(learned):
            learned[k] = torch.cat([learned[k], extra.pop(k)])
        net = train(learned, a.further, device, seed=a.first, start_from=net, often=often)
        write(net, validate(net, held), learned, a.output / "final")


def write(net: Net, figures: dict[str, float], learned: dict[str, Tensor], folder: Path) -> None:
    """Store weights, the net as ONNX and its figures."""
    print(figures, flush=True)
    folder.mkdir(parents=True, exist_ok=True)
    torch.save(net.state_dict(), folder / "net.pt")
    export(copy.deepcopy(net), str(folder / "equipment.onnx"))
    (folder / "figures.json").write_text(json.dumps(figures | {"examples": len(learned["coarse"])}))


if __name__ == "__main__":
    main()
