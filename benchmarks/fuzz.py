"""Mutated frames and worksheets in bulk: no traceback, no hang, no memory above a limit.

    python benchmarks/fuzz.py [SECONDS] [SEED] [FOLDER FOR FINDINGS]

Pictures go through `read_facts` and `read_pixels`, worksheets through `worksheet.load`. Allowed are a result and a
LampwalkError. Workers are processes with a limit of address space; a case longer than HANG_S is a finding.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import random
import resource
import sys
import time
import traceback
from collections import Counter
from pathlib import Path
from tempfile import TemporaryDirectory

os.environ["OPENCV_LOG_LEVEL"] = "OFF"

import cv2
import numpy as np
import tifffile

from lampwalk import worksheet
from lampwalk.errors import LampwalkError
from lampwalk.files import read_facts, read_pixels
from lampwalk.geometry import normalised

HANG_S = 10.0
ROOM_BYTES = 2 * 2**30
"""Address space above what the imports take."""


def seeds(folder: Path) -> list[Path]:
    """Small valid files of every kind: JPEG with EXIF and ICC, PNG 8 and 16 bits, TIFF in several ways, a worksheet."""
    from lampwalk import encode, metadata, profiles

    rng = np.random.default_rng(1)
    small = cv2.resize(rng.integers(0, 255, (6, 8, 3), np.uint8), (48, 32))
    deep = small.astype(np.uint16) * 257
    exif = metadata.serialise(metadata.parse(b"II*\0\x08\0\0\0\x01\0\x12\x01\x03\0\x01\0\0\0\x01\0\0\0\0\0\0\0"))
    icc = profiles.srgb_icc()
    encode.write_jpeg(folder / "a.jpg", small, exif=exif, icc=icc)
    cv2.imwrite(str(folder / "progressive.jpg"), small, [cv2.IMWRITE_JPEG_PROGRESSIVE, 1])
    encode.write_png(folder / "a.png", small, icc=icc)
    encode.write_png(folder / "deep.png", deep)
    encode.write_tiff(folder / "a.tif", deep, compression="none", exif=exif, icc=icc)
    encode.write_tiff(folder / "deflate.tif", deep, compression="deflate")
    tifffile.imwrite(folder / "tiles.tif", small, photometric="rgb", tile=(16, 16), compression="zlib", predictor=True)
    tifffile.imwrite(folder / "big.tif", small, photometric="rgb", bigtiff=True)
    tifffile.imwrite(folder / "planar.tif", np.moveaxis(small, 2, 0).copy(), photometric="rgb", planarconfig="separate")
    record = worksheet.FrameRecord(file="a.jpg", role="lamp", homography=normalised(np.eye(3)), mask="masks/a.png")
    sheet = worksheet.Worksheet(reference="a.jpg", frames=(record,), finish={"burn": {"opacity": 0.7}})
    (folder / "worksheet.json").write_text(worksheet.to_json(sheet), "utf-8")
    return sorted(folder.iterdir())


def mutate(data: bytes, rng: random.Random) -> bytes:
    """Flip, overwrite, cut, double, insert; mostly near the head, where the structure is."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 1, 2, 4, 8, 32))):
        at = int(len(out) * rng.random() ** rng.choice((1, 3))) if out else 0
        kind = rng.randrange(7)
        if kind == 0 and out:
            out[min(at, len(out) - 1)] ^= 1 << rng.randrange(8)
        elif kind == 1:
            out[at : at + 1] = bytes([rng.choice((0, 1, 0x7F, 0x80, 0xFF, rng.randrange(256)))])
        elif kind == 2:
            n = rng.choice((2, 4, 8))
            out[at : at + n] = rng.choice((b"\xff" * n, b"\0" * n, b"\x7f" + b"\xff" * (n - 1), rng.randbytes(n)))
        elif kind == 3:
            del out[at : at + rng.choice((1, 2, 16, 256))]
        elif kind == 4:
            out[at:at] = out[at : at + rng.choice((1, 8, 64))]
        elif kind == 5:
            out[at:at] = rng.randbytes(rng.choice((1, 4, 32)))
        elif rng.random() < 0.3:
            del out[at:]
    return bytes(out)


def try_one(path: Path) -> str:
    """What happened: `read`, or the name of the error in words."""
    try:
        if path.suffix == ".json":
            worksheet.load(path)
        else:
            facts = read_facts(path)
            pixels = read_pixels(path, facts.orientation)
            assert pixels.ndim == 3
            assert pixels.shape[2] == 3
    except LampwalkError as error:
        return type(error).__name__
    return "read"


def worker(number: int, seed: int, seconds: float, pipe: multiprocessing.connection.Connection) -> None:
    """Try mutations until the time is over; say before each what is tried, so that a crash or hang has a name."""
    cv2.setNumThreads(1)
    used = int(Path("/proc/self/statm").read_text().split()[0]) * 4096
    resource.setrlimit(resource.RLIMIT_AS, (used + ROOM_BYTES, used + ROOM_BYTES))
    rng = random.Random(f"{seed} {number}")
    with TemporaryDirectory() as scratch:
        home = Path(scratch)
        originals = [(p.name, p.read_bytes()) for p in seeds(home)]
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            name, data = rng.choice(originals)
            case = mutate(data, rng)
            path = home / f"case{Path(name).suffix}"
            path.write_bytes(case)
            pipe.send(("try", name, case))
            start = time.monotonic()
            try:
                what = try_one(path)
            except BaseException:
                what = "TRACEBACK " + traceback.format_exc(limit=-3)
            pipe.send(("done", what, time.monotonic() - start))
    pipe.send(("end", "", 0.0))


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 120.0
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    keep = Path(sys.argv[3]) if len(sys.argv) > 3 else None
    context = multiprocessing.get_context("spawn")
    kinds: Counter[tuple[str, str]] = Counter()
    findings: dict[str, tuple[str, bytes]] = {}
    slowest, restarts = 0.0, 0
    end = time.monotonic() + seconds
    while (left := end - time.monotonic()) > 1:
        ours, theirs = context.Pipe(duplex=False)
        process = context.Process(target=worker, args=(restarts, seed, left, theirs))
        process.start()
        theirs.close()
        name, case, last = "", b"", ""
        while last != "end":
            try:
                if not ours.poll(HANG_S + 10 * (not name)):
                    findings[f"hang {name}"] = (name, case)
                    break
                last, *told = ours.recv()
            except EOFError:
                findings[f"died with {process.exitcode} {name}"] = (name, case)
                break
            if last == "try":
                name, case = told
            elif last == "done":
                what, took = told
                slowest = max(slowest, took)
                kinds[name, what.split()[0]] += 1
                if what.startswith("TRACEBACK"):
                    findings.setdefault(
                        what.strip().splitlines()[-1] + " | " + what.strip().splitlines()[-3].strip(),
                        (name, case),
                    )
        process.kill()
        process.join()
        restarts += 1
    print(f"{sum(kinds.values())} files in {seconds:.0f} s, slowest {slowest:.2f} s, {len(findings)} findings\n")
    print("| seed file | outcome | times |\n|---|---|---|")
    for (name, what), times in sorted(kinds.items()):
        print(f"| {name} | {what} | {times} |")
    for i, (what, (name, case)) in enumerate(findings.items()):
        print(f"- {name} ({len(case)} bytes): {what}")
        if keep:
            keep.mkdir(parents=True, exist_ok=True)
            (keep / f"{seed}_{i:02d}_{name}").write_bytes(case)
    if keep and findings:
        print(json.dumps(sorted(findings), indent=1))


if __name__ == "__main__":
    main()
