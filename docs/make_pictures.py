"""Make the pictures of README and docs from the sample series: `python docs/make_pictures.py`."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import cv2
import numpy as np
import tifffile

import lampwalk
from lampwalk.composite import execute
from lampwalk.decisions import Given, decide
from lampwalk.worksheet import Lamp

ROOT = Path(__file__).resolve().parents[1]
IMAGES = ROOT / "docs" / "images"
SERIES = ROOT / "sample_data" / "slipway"
GREY = 46


def main() -> None:
    IMAGES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as work:
        run = lampwalk.merge_folder(SERIES, Path(work) / "lighten")
        merged = cv2.imread(str(run.folder / "picture.jpg"))
        frame = cv2.imread(str(SERIES / "06.jpg"))
        save("before_after", beside([frame, merged], 700))
        save("contact_sheet", cv2.imread(str(run.folder / "contact_sheet.jpg")))
        save("coverage", coverage_in_colour(run.folder))
        save("crops", crops(merged))
        wish = lampwalk.Wish(lift=1.2, burn=0.73, crop=(16, 9))
        finished = lampwalk.merge_folder(SERIES, Path(work) / "finished", finishing=wish)
        save("rules", rules())
        save("finished", cv2.resize(cv2.imread(str(finished.folder / "picture.jpg")), None, fx=0.8, fy=0.8))


def rules() -> np.ndarray:
    """What each rule is good for: all lamps above, two lamps with gels below."""
    series = lampwalk.read_series(SERIES)
    softer = {frame.name: Lamp(gain_ev=-1.5) for frame in series.frames[1:]}
    gels = {frame.name: Lamp(on=False) for frame in series.frames[1:]}
    gels |= {"06.jpg": Lamp(warmth=150), "02.jpg": Lamp(warmth=-100)}
    rows = []
    for lamps in (None, gels):
        cells = []
        for rule in ("lighten", "brightest", "sum"):
            chosen = lamps if lamps is not None else softer if rule == "sum" else {}
            decided = decide(series, choices=lampwalk.Choices(rule=rule), given=Given(lamps=chosen))
            cells.append((execute(decided).pixels[..., ::-1] >> 8).astype(np.uint8))
        rows.append(beside(cells, 480, ["lighten", "brightest", "sum" if lamps else "sum, every lamp 1.5 stops down"]))
    return np.vstack(rows)


def crops(merged: np.ndarray) -> np.ndarray:
    """Where equipment stood, at full size: the frame above, the result below."""
    places = {"06": (420, 850), "07": (360, 90), "08": (30, 430), "01": (90, 20)}
    columns = []
    for name, (top, left) in places.items():
        frame = cv2.imread(str(SERIES / f"{name}.jpg"))
        cut = (slice(top, top + 300), slice(left, left + 300))
        columns.append(np.vstack([frame[cut], np.full((8, 300, 3), GREY, np.uint8), merged[cut]]))
    return beside(columns, 300)


def coverage_in_colour(run: Path) -> np.ndarray:
    coverage = cv2.imread(str(run / "coverage.png"), cv2.IMREAD_UNCHANGED)
    hue = (coverage.astype(np.float32) * 37 % 180).astype(np.uint8)
    colour = cv2.cvtColor(np.dstack([hue, np.full_like(hue, 110), np.full_like(hue, 200)]), cv2.COLOR_HSV2BGR)
    colour[coverage == 0], colour[coverage == 255] = 0, 255
    picture = tifffile.imread(run / "composite.tif")[..., ::-1] / 65535
    return (colour * (0.35 + 0.65 * picture)).astype(np.uint8)


def beside(pictures: list[np.ndarray], width: int, names: list[str] | None = None) -> np.ndarray:
    cells = []
    for i, picture in enumerate(pictures):
        height = round(width * picture.shape[0] / picture.shape[1])
        cell = cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA)
        if names:
            cell = np.vstack([cell, np.full((30, width, 3), GREY, np.uint8)])
            cv2.putText(cell, names[i], (8, height + 20), cv2.FONT_HERSHEY_SIMPLEX, 0.5, (214,) * 3, 1, cv2.LINE_AA)
        cells += [cell, np.full((cell.shape[0], 8, 3), GREY, np.uint8)]
    return np.hstack(cells[:-1])


def save(name: str, picture: np.ndarray) -> None:
    path = IMAGES / f"{name}.jpg"
    cv2.imwrite(str(path), picture, [cv2.IMWRITE_JPEG_QUALITY, 88])
    print(path.relative_to(ROOT), picture.shape, path.stat().st_size // 1000, "kB", file=sys.stderr)


if __name__ == "__main__":
    main()
