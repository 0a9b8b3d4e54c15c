"""Every file operation of a merge made to fail or crash in turn, and kill -9 at random moments: a Markdown table.

    python benchmarks/faults.py [KILLS] [POINTS]

POINTS is how many operations to try (0, the default, is all). Needs Linux and a C compiler.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path
from tempfile import TemporaryDirectory

import cv2

ROOT = Path(__file__).parent.parent
ENGINE = ROOT / "tests" / "files"


def main() -> None:
    kills, points = (int(a) for a in (sys.argv[1:] + ["200", "0"][len(sys.argv) - 1 :]))
    with TemporaryDirectory() as scratch:
        home = Path(scratch)
        frames = home / "frames"
        frames.mkdir()
        for name in ("00", "03", "06"):
            picture = cv2.imread(str(ROOT / "tests" / "scenes" / "small_slipway" / "frames" / f"{name}.jpg"))
            cv2.imwrite(str(frames / f"{name}.png"), cv2.resize(picture, (120, 80), interpolation=cv2.INTER_AREA))
        shim = home / "shim.so"
        subprocess.run(["cc", "-shared", "-fPIC", "-O1", "-o", shim, ENGINE / "fault_shim.c", "-ldl"], check=True)
        plan = home / "plan.json"
        plan.write_text(
            json.dumps({"frames": str(frames), "home": str(home / "home"), "points": points, "kills": kills})
        )
        env = os.environ | {"LD_PRELOAD": str(shim), "PYTHONPATH": str(ROOT / "src")}
        start = time.perf_counter()
        done = subprocess.run(
            [sys.executable, ENGINE / "faulty.py", plan], env=env, capture_output=True, text=True, check=True
        )
    results = json.loads(done.stdout)
    count = Counter(
        (r["what"], "former run" if r["former"] else "no run", r["end"], r["status"], bool(r["wrong"])) for r in results
    )
    print("| fault | before | after | exit status | times | wrong |\n|---|---|---|---|---|---|")
    for (what, before, end, status, wrong), times in sorted(count.items(), key=str):
        print(f"| {what} | {before} | {end} | {status} | {times} | {times if wrong else 0} |")
    print(f"\n{len(results)} faults in {time.perf_counter() - start:.0f} s.")
    for r in results:
        if r["wrong"]:
            print("-", r)


if __name__ == "__main__":
    main()
