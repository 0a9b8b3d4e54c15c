"""Mutated frames, masks, worksheets and split files in bulk: no traceback, no hang, no memory above a limit.

    python benchmarks/fuzz.py [SECONDS] [SEED] [FOLDER FOR FINDINGS]

Pictures go through `read_facts`, `read_pixels` and the glance of `split`, masks through `read_mask`, worksheets and split
files through their readers, EXIF through `metadata.for_output` too. Allowed are a result and a LampwalkError. Workers are processes with a limit of address space; a case longer than HANG_S is a finding.
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
sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))

import cv2
import numpy as np
import tifffile
from PIL import Image

from lampwalk import metadata, runfolder, split, worksheet
from lampwalk.errors import LampwalkError
from lampwalk.files import read_facts, read_pixels
from lampwalk.geometry import normalised

HANG_S = 10.0
ROOM_BYTES = 2 * 2**30
"""Address space above what the imports take."""


def seeds(folder: Path) -> list[Path]:
    """Small valid files of every kind: JPEG, PNG, TIFF, DNG, AVIF with EXIF, ICC and XMP, a mask, a worksheet, a split."""
    from files.samples import write_dng
    from lampwalk import encode, profiles

    rng = np.random.default_rng(1)
    small = cv2.resize(rng.integers(0, 255, (6, 8, 3), np.uint8), (48, 32))
    deep = small.astype(np.uint16) * 257
    exif = metadata.serialise(_exif())
    xmp = b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF><rdf:Description tiff:Orientation="6"/></rdf:RDF></x:xmpmeta>'
    icc = profiles.srgb_icc()
    encode.write_jpeg(folder / "a.jpg", small, exif=exif, icc=icc, xmp=xmp)
    cv2.imwrite(str(folder / "progressive.jpg"), small, [cv2.IMWRITE_JPEG_PROGRESSIVE, 1])
    encode.write_png(folder / "a.png", small, icc=icc)
    encode.write_png(folder / "deep.png", deep)
    encode.write_tiff(folder / "a.tif", deep, compression="none", exif=exif, icc=icc)
    encode.write_tiff(folder / "deflate.tif", deep, compression="deflate")
    tifffile.imwrite(folder / "tiles.tif", small, photometric="rgb", tile=(16, 16), compression="zlib", predictor=True)
    tifffile.imwrite(folder / "big.tif", small, photometric="rgb", bigtiff=True)
    tifffile.imwrite(folder / "planar.tif", np.moveaxis(small, 2, 0).copy(), photometric="rgb", planarconfig="separate")
    write_dng(folder / "a.dng", np.linspace(0.05, 0.7, 32 * 48 * 3).reshape(32, 48, 3), (0.5, 1.0, 0.6))
    Image.fromarray(small).save(folder / "a.avif", exif=b"Exif\0\0" + exif, icc_profile=icc)
    encode.write_png(folder / "mask.png", small[..., 0])
    (folder / "split.json").write_text(json.dumps({"split": 1, "series": [{"name": "bow", "files": ["a", "b"]}]}))
    record = worksheet.FrameRecord(file="a.jpg", role="lamp", homography=normalised(np.eye(3)), mask="masks/a.png")
    sheet = worksheet.Worksheet(reference="a.jpg", frames=(record,), finish={"burn": {"opacity": 0.7}})
    (folder / "worksheet.json").write_text(worksheet.to_json(sheet), "utf-8")
    return sorted(folder.iterdir())


def _exif() -> metadata.Exif:
    photo = {33434: metadata.rational(0.008), 33437: metadata.rational(8.0), 34855: metadata.short(100)}
    photo |= {36867: metadata.text("2026:05:02 20:30:00"), 37385: metadata.short(1), 37386: metadata.rational(24.0)}
    return metadata.Exif(main={274: metadata.short(1), 272: metadata.text("Test")}, photo=photo)


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


def try_one(name: str, path: Path) -> str:
    """What happened: `read`, or the name of the error in words."""
    try:
        if name == "worksheet.json":
            worksheet.load(path)
        elif name == "split.json":
            for series in split.read_split(path, path.parent).series:
                assert all(path.parent in file.parents for file in series.files)
        elif name == "mask.png":
            assert runfolder.read_mask(path).ndim == 2
        else:
            facts = read_facts(path)
            metadata.for_output(metadata.Metadata(exif=facts.exif, icc=facts.icc, xmp=facts.xmp), (32, 48))
            split._reduced(split._Shot(files=(path,), path=path, facts=facts), 12)
            pixels = read_pixels(path, facts.orientation)
            assert pixels.shape == (facts.height, facts.width, 3)
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
                what = try_one(name, path)
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
