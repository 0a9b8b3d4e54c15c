"""A scene with truth at another size, to see whether the scores depend on it.

    python benchmarks/resized.py SCENE OUTPUT FACTOR

Frames, ideal and masks of the equipment are resized (enlarged by a cubic, reduced by areas), homographies follow: pixel
centres lie at integers, so (x + 0.5) scales. Enlarged frames get noise of their own (a grey level and a half) and JPEG, or every
pixel would be an average of what its neighbours are. Then `benchmarks/scores.py OUTPUT/.. SCORER` scores it like any scene.
"""

from __future__ import annotations

import argparse
import json
import shutil
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray

NOISE = 1.5


def resized(picture: NDArray[Any], factor: float) -> NDArray[Any]:
    size = (round(picture.shape[1] * factor), round(picture.shape[0] * factor))
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("scene", type=Path)
    parser.add_argument("output", type=Path)
    parser.add_argument("factor", type=float)
    args = parser.parse_args()
    (args.output / "frames").mkdir(parents=True)
    (args.output / "truth").mkdir()
    rng = np.random.default_rng(1)
    for path in sorted((args.scene / "frames").iterdir()):
        small = resized(cv2.imread(str(path)), args.factor).astype(np.float32)
        if args.factor > 1:
            small += rng.normal(0, NOISE, small.shape)
        noisy = np.clip(np.rint(small), 0, 255).astype(np.uint8)
        cv2.imwrite(str(args.output / "frames" / f"{path.stem}.jpg"), noisy, [cv2.IMWRITE_JPEG_QUALITY, 95])
    truth = args.output / "truth"
    for path in sorted((args.scene / "truth").iterdir()):
        if path.suffix == ".tif":
            tifffile.imwrite(truth / path.name, resized(tifffile.imread(path), args.factor), photometric="rgb")
        elif path.suffix == ".png":
            cv2.imwrite(str(truth / path.name), resized(cv2.imread(str(path), cv2.IMREAD_UNCHANGED), args.factor))
        elif path.name == "homographies.json":
            shift = (args.factor - 1) / 2
            scale = np.array([[args.factor, 0, shift], [0, args.factor, shift], [0, 0, 1]])
            found = {k: scale @ np.array(h) @ np.linalg.inv(scale) for k, h in json.loads(path.read_text()).items()}
            (truth / path.name).write_text(json.dumps({k: h.tolist() for k, h in found.items()}))
        else:
            shutil.copy(path, truth)


if __name__ == "__main__":
    main()
