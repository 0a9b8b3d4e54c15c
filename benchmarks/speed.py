"""Time and memory of a merge, stage by stage, beside the floor of the job on this machine.

    python benchmarks/speed.py [--mp 12 45] [--frames 8] [--kind jpg tif16] [--rounds 3] [--work FOLDER]

The floor decodes each frame once, warps it once, takes the maximum and encodes once (floor.py), in the same rounds.
Prints a Markdown table: least wall time of the rounds on either side, peak resident memory of the process.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
STAGES = ("looking", "deciding", "merging", "writing")

CHILD = """
import json, resource, sys, time
start = time.perf_counter()
import lampwalk
from lampwalk import memory
memory.share_one_heap()  # as the command does
spans, last = {}, [start]
def progress(step, done, total):
    now = time.perf_counter()
    spans[step] = spans.get(step, 0) + now - last[0]
    last[0] = now
lampwalk.merge_folder(sys.argv[1], sys.argv[2], overwrite=True, progress=progress)
spans["writing"] = time.perf_counter() - last[0]
spans["wall"] = time.perf_counter() - start
spans["peak_mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(json.dumps(spans))
"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--mp", type=float, nargs="+", default=[12.0])
    parser.add_argument("--frames", type=int, nargs="+", default=[8])
    parser.add_argument("--kind", nargs="+", default=["jpg"], choices=("jpg", "tif16", "tif16-deflate"))
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--work", type=Path)
    args = parser.parse_args()
    work = args.work or Path(tempfile.mkdtemp())
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}; least of {args.rounds} rounds\n"
    )
    print("| series | floor s | merge s | ratio | " + " | ".join(STAGES) + " | floor MB | merge MB |")
    print("|---|" + "---|" * (len(STAGES) + 5))
    for kind in args.kind:
        for mp in args.mp:
            for n in args.frames:
                print(row(work, kind, mp, n, args.rounds), flush=True)


def row(work: Path, kind: str, mp: float, n: int, rounds: int) -> str:
    stack = work / f"{kind}-{mp:g}-{n}"
    if not (stack / "stack.json").is_file():
        options = ["--kind", "jpg"] if kind == "jpg" else ["--kind", "tif16"]
        options += ["--tiff-compression", "deflate"] if kind.endswith("deflate") else []
        command = [sys.executable, str(HERE / "make_stack.py"), str(stack), "--mp", str(mp), "--n", str(n), *options]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    floors, merges = [], []
    for _ in range(rounds):
        start = time.perf_counter()
        out = subprocess.run(
            [sys.executable, str(HERE / "floor.py"), str(stack)], check=True, capture_output=True, text=True
        )
        figures = dict(line.split(": ") for line in out.stdout.splitlines())
        floors.append((time.perf_counter() - start, float(figures["peak_rss_mb"])))
        start = time.perf_counter()
        command = [sys.executable, "-c", CHILD, str(stack / "frames"), str(work / "run")]
        out = subprocess.run(command, check=True, capture_output=True, text=True)
        spans = json.loads(out.stdout)
        merges.append((time.perf_counter() - start, spans))
    floor = min(f[0] for f in floors)
    wall, spans = min(merges, key=lambda m: m[0])
    stages = " | ".join(f"{spans.get(s, 0):.2f}" for s in STAGES)
    return (
        f"| {mp:g} MP x {n} {kind} | {floor:.2f} | {wall:.2f} | {wall / floor:.2f} | {stages} "
        f"| {max(f[1] for f in floors):.0f} | {max(m[1]['peak_mb'] for m in merges):.0f} |"
    )


if __name__ == "__main__":
    main()
