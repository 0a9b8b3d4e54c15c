"""Merge every scene under a folder and print the scores as a Markdown table.

    python benchmarks/scores.py SCENES SCORER [--scene NAME ...] [--runs FOLDER] [-- MERGE OPTIONS]

SCENES holds one folder per scene (frames/, truth/); SCORER is the script that scores a run folder against a scene.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

COLUMNS = (
    "frames_used", "ghost_ppm", "ghost_largest", "hole_ppm", "elsewhere_ppm", "veil_p95", "de_mean",
    "align_rms_px", "align_max_px", "mask_recall", "mask_excess",
)  # fmt: skip


def main() -> None:
    argv = sys.argv[1:]
    extra = argv[argv.index("--") + 1 :] if "--" in argv else []
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("scenes", type=Path)
    parser.add_argument("scorer", type=Path)
    parser.add_argument("--scene", action="append")
    parser.add_argument("--runs", type=Path)
    args = parser.parse_args(argv[: argv.index("--")] if "--" in argv else argv)
    runs = args.runs or Path(tempfile.mkdtemp())
    print("| scene | " + " | ".join(COLUMNS) + " | s |")
    print("|---|" + "---|" * (len(COLUMNS) + 1))
    for scene in sorted(args.scenes.iterdir()):
        if not (scene / "frames").is_dir() or (args.scene and scene.name not in args.scene):
            continue
        run = runs / scene.name
        start = time.perf_counter()
        command = [sys.executable, "-m", "lampwalk", "merge", str(scene / "frames"), "--output", str(run), *extra]
        merged = subprocess.run(command, capture_output=True, text=True, check=False)
        seconds = time.perf_counter() - start
        if merged.returncode > 1:
            print(f"| {scene.name} | {merged.stderr.strip()[-200:]} |")
            continue
        scored = subprocess.run(
            [sys.executable, str(args.scorer), str(scene), str(run)], capture_output=True, text=True, check=False
        )
        found = dict(line.split(": ", 1) for line in scored.stdout.splitlines() if ": " in line)
        cells = [found.get(name, scored.stderr.strip()[-80:] or "-") for name in COLUMNS]
        print(f"| {scene.name} | " + " | ".join(cells) + f" | {seconds:.1f} |", flush=True)


if __name__ == "__main__":
    main()
