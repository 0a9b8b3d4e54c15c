"""How well frames are aligned, how often a bad frame is accepted, and which interpolation a maximum likes.

    python benchmarks/alignment.py cases [--bad 500] [--good 200]     made pairs with a fixed seed
    python benchmarks/alignment.py scenes FOLDER ...                  scenes with truth/homographies.json: methods compared
    python benchmarks/alignment.py sizes [--mp 1 24 45]               small motions of large frames: error and cost

Prints Markdown; alignment.md holds what it printed last. Pictures come from scikit-image's own data.
"""

from __future__ import annotations

import argparse
import json
import time
from collections import Counter
from pathlib import Path

import cv2
import numpy as np
import skimage.data

from lampwalk import alignment, motion, parallel
from lampwalk.frames import read_series
from lampwalk.sighting import observe

SIZE = 640, 427
SEED = 20240
PICTURES = ("astronaut", "brick", "camera", "chelsea", "coffee", "grass", "gravel", "rocket", "coins", "page", "moon")
BAD = ("another scene", "mirrored", "blank", "noise only", "defocus", "parallax", "zoom", "upside down", "elsewhere")


def picture(name: str, rng: np.random.Generator) -> np.ndarray:
    """(427, 640) linear albedo, 0-1, a random part of a picture."""
    image = getattr(skimage.data, name)()
    grey = image if image.ndim == 2 else cv2.cvtColor(image[..., :3], cv2.COLOR_RGB2GRAY)
    w, h = SIZE
    scale = max((w + 160) / grey.shape[1], (h + 107) / grey.shape[0])
    grey = cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC)
    x, y = rng.integers(0, grey.shape[1] - w - 150), rng.integers(0, grey.shape[0] - h - 100)
    return (grey[y : y + h + 100, x : x + w + 150].astype(np.float32) / 255) ** 2.2 * 0.8 + 0.02


def motion_matrix(rng: np.random.Generator, most_px: float) -> np.ndarray:
    """A turn of the camera with a little change of scale, frame -> reference."""
    w, h = SIZE
    unit = w / 2
    parameters = np.zeros(8)
    parameters[:2] = rng.uniform(-most_px, most_px, 2) / unit
    parameters[2] = np.deg2rad(rng.uniform(-0.3, 0.3)) * most_px / 10
    parameters[3] = rng.uniform(-0.002, 0.002) * (rng.random() < 0.3)
    to_unit = np.array([[1 / unit, 0, -(w - 1) / 2 / unit], [0, 1 / unit, -(h - 1) / 2 / unit], [0, 0, 1]])
    return np.linalg.inv(to_unit) @ motion.matrix_of(parameters, rng.uniform(0.1, 0.6)) @ to_unit


def surface(name: str, rng: np.random.Generator) -> np.ndarray:
    """(2, 427, 640): albedo, and a relief that has nothing to do with it (else light would shift what is seen)."""
    relief = cv2.GaussianBlur(picture(str(rng.choice(PICTURES)), rng), (0, 0), 1.5) * rng.uniform(0, 8)
    return np.stack([picture(name, rng), relief])


def lit(subject: np.ndarray, rng: np.random.Generator, *, lamp: bool = True) -> np.ndarray:
    """Linear light of a picture under one lamp: falloff, relief, one hard shadow, over ambient light."""
    albedo, relief = subject
    h, w = albedo.shape
    y, x = np.mgrid[:h, :w].astype(np.float32)
    ambient = rng.uniform(0.08, 0.25)
    if not lamp:
        return albedo * ambient
    lx, ly, height = rng.uniform(-0.2, 1.2) * w, rng.uniform(-0.3, 1.0) * h, rng.uniform(0.2, 0.6) * w
    distance = np.sqrt((x - lx) ** 2 + (y - ly) ** 2 + height**2)
    light = (height / distance) ** 2 * rng.uniform(0.6, 1.6)
    gx, gy = cv2.Sobel(relief, cv2.CV_32F, 1, 0, scale=1 / 8), cv2.Sobel(relief, cv2.CV_32F, 0, 1, scale=1 / 8)
    slope = ((lx - x) * -gx + (ly - y) * -gy + height) / distance / np.sqrt(1 + gx**2 + gy**2)
    shadow = np.ones((h, w), np.float32)
    corners = np.stack([rng.uniform(0, w, 4), rng.uniform(0, h, 4)], -1).astype(np.int32)
    cv2.fillConvexPoly(shadow, cv2.convexHull(corners), 0.08)
    return albedo * (ambient + light * np.clip(slope, 0, None) * cv2.GaussianBlur(shadow, (0, 0), 1.2))


def photographed(linear: np.ndarray, rng: np.random.Generator, *, stand: bool = True) -> np.ndarray:
    """(H, W, 3) uint8: a stand in front, noise, clipping, encoding."""
    out = linear.copy()
    h, w = out.shape
    if stand:
        x, y = int(rng.uniform(0, w)), int(rng.uniform(0.1, 0.6) * h)
        cv2.line(out, (x, y), (x + int(rng.uniform(-20, 20)), h), 0.01, 5)
        cv2.circle(out, (x, y), int(rng.uniform(10, 30)), 3.0, -1)
    out = cv2.GaussianBlur(out, (0, 0), 0.6)
    out += rng.normal(0, 1, out.shape).astype(np.float32) * np.sqrt(np.clip(out, 0, None) / 8000 + 2e-6)
    encoded = np.rint(np.clip(out, 0, 1) ** (1 / 2.2) * 255).astype(np.uint8)
    return np.repeat(encoded[..., None], 3, axis=2)


def seen(albedo: np.ndarray, matrix: np.ndarray) -> np.ndarray:
    """The part of a larger picture that a frame sees: matrix is frame -> reference."""
    back = np.array([[1, 0, 75], [0, 1, 50], [0, 0, 1.0]]) @ matrix
    return cv2.warpPerspective(albedo, back, SIZE, flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP)


def good_case(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    subject = surface(str(rng.choice(PICTURES)), rng)
    matrix = np.eye(3) if rng.random() < 0.15 else motion_matrix(rng, float(rng.choice([0.7, 3, 10])))
    reference = photographed(seen(lit(subject, rng, lamp=rng.random() < 0.5), np.eye(3)), rng, stand=False)
    return reference, photographed(seen(lit(subject, rng), matrix), rng), matrix


def bad_case(kind: str, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    name, other = rng.choice(PICTURES, 2, replace=False)
    subject = surface(str(name), rng)
    still = np.eye(3)
    reference = photographed(seen(lit(subject, rng), still), rng, stand=False)
    if kind == "another scene":
        frame = photographed(seen(lit(surface(str(other), rng), rng), still), rng)
    elif kind == "mirrored":
        frame = photographed(seen(lit(subject, rng), still), rng)[:, ::-1]
    elif kind == "upside down":
        frame = photographed(seen(lit(subject, rng), still), rng)[::-1, ::-1]
    elif kind == "blank":
        frame = photographed(np.full(SIZE[::-1], rng.uniform(0, 1.2), np.float32), rng, stand=rng.random() < 0.5)
    elif kind == "noise only":
        frame = rng.integers(0, 256, (*SIZE[::-1], 3), dtype=np.uint8)
    elif kind == "defocus":
        frame = photographed(
            cv2.GaussianBlur(seen(lit(subject, rng), still), (0, 0), rng.uniform(8, 16)), rng, stand=False
        )
    elif kind == "zoom":
        scale = 1 + rng.choice([-1, 1]) * rng.uniform(0.05, 0.15)
        middle = np.array([[1, 0, -(SIZE[0] - 1) / 2], [0, 1, -(SIZE[1] - 1) / 2], [0, 0, 1]])
        frame = photographed(seen(lit(subject, rng), np.linalg.inv(middle) @ np.diag([scale, scale, 1]) @ middle), rng)
    elif kind == "elsewhere":
        shift = np.array([[1, 0, rng.choice([-1, 1]) * rng.uniform(45, 74)], [0, 1, rng.uniform(-40, 40)], [0, 0, 1]])
        frame = photographed(seen(lit(subject, rng), shift), rng)
    else:
        frame = photographed(parallax(lit(subject, rng), rng), rng)
    return reference, np.ascontiguousarray(frame)


def parallax(picture_: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A camera moved sideways before a scene of several depths: 5 to 15 px between the nearest and the farthest."""
    w, h = SIZE
    depth = np.zeros((h, w), np.float32)
    for near in np.linspace(0.25, 1, 4):
        cv2.ellipse(
            depth,
            (int(rng.uniform(0, w)), int(rng.uniform(0, h))),
            (int(w / 4), int(h / 4)),
            0,
            0,
            360,
            float(near),
            -1,
        )
    depth = cv2.GaussianBlur(depth, (0, 0), 4) * rng.uniform(5, 15)
    y, x = np.mgrid[:h, :w].astype(np.float32)
    return cv2.remap(picture_, x + 75 + depth, y + 50, cv2.INTER_CUBIC)


def rms(found: np.ndarray, true: np.ndarray, size: tuple[int, int] = SIZE) -> float:
    """Distance of two homographies on a 5x5 grid over the picture, px."""
    grid = np.stack(np.meshgrid(*(np.linspace(0, n - 1, 5) for n in size)), -1).reshape(-1, 1, 2)
    apart = cv2.perspectiveTransform(grid, found) - cv2.perspectiveTransform(grid, true)
    return float(np.sqrt((apart**2).sum(-1).mean()))


def cases(bad: int, good: int) -> None:
    rng = np.random.default_rng(SEED)
    accepted: Counter[tuple[str, str]] = Counter()
    for index in range(bad):
        kind = BAD[index % len(BAD)]
        reference, frame = bad_case(kind, rng)
        verdict = alignment.solve([observe(reference), observe(frame)], reference=0)[1].verdict
        accepted[kind, verdict] += 1
    print(
        f"## {bad} bad cases, {SIZE[0]}x{SIZE[1]}, seed {SEED}\n\n| kind | cases | aligned | weak | refused |\n|---|---|---|---|---|"
    )
    for kind in BAD:
        row = [accepted[kind, v] for v in ("aligned", "weak", "refused")]
        print(f"| {kind} | {sum(row)} | {row[0]} | {row[1]} | {row[2]} |")
    rng = np.random.default_rng(SEED + 1)
    errors: dict[str, list[float]] = {"aligned": [], "weak": [], "refused": []}
    for _ in range(good):
        reference, frame, matrix = good_case(rng)
        got = alignment.solve([observe(reference), observe(frame)], reference=0)[1]
        errors[got.verdict].append(np.nan if got.frame_to_reference is None else rms(got.frame_to_reference, matrix))
    print(f"\n## {good} good cases\n\n| verdict | cases | median px | 90 % | 99 % | worst |\n|---|---|---|---|---|---|")
    for verdict, values in errors.items():
        shown = (
            [f"{q:.3f}" for q in np.quantile(values, (0.5, 0.9, 0.99, 1))]
            if values and verdict != "refused"
            else ["-"] * 4
        )
        print(f"| {verdict} | {len(values)} | {' | '.join(shown)} |")


def by_features(reference: np.ndarray, frame: np.ndarray) -> np.ndarray:
    """SIFT of the picture as it is, MAGSAC, nothing more."""
    sift = cv2.SIFT_create()
    (ka, da), (kb, db) = (sift.detectAndCompute(cv2.cvtColor(p, cv2.COLOR_RGB2GRAY), None) for p in (reference, frame))
    pairs = cv2.BFMatcher().knnMatch(db, da, k=2)
    kept = [a for a, b in pairs if a.distance < 0.8 * b.distance]
    src, dst = np.float32([kb[m.queryIdx].pt for m in kept]), np.float32([ka[m.trainIdx].pt for m in kept])
    return cv2.findHomography(src, dst, cv2.USAC_MAGSAC, 1.5)[0]


def by_ecc(reference: np.ndarray, frame: np.ndarray) -> np.ndarray:
    """ECC on the log-normalised picture, translation then homography, from no motion."""
    a, b = (lognorm(cv2.cvtColor(p, cv2.COLOR_RGB2GRAY)) for p in (reference, frame))
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 1e-6)
    warp = np.eye(2, 3, dtype=np.float32)
    warp = cv2.findTransformECC(a, b, warp, cv2.MOTION_TRANSLATION, criteria, None, 5)[1]
    warp = cv2.findTransformECC(
        a, b, np.vstack([warp, [0, 0, 1]]).astype(np.float32), cv2.MOTION_HOMOGRAPHY, criteria, None, 3
    )[1]
    return np.linalg.inv(warp.astype(np.float64))


def lognorm(grey: np.ndarray) -> np.ndarray:
    log = np.log(grey.astype(np.float32) / 255 + 0.02)
    detail = log - cv2.GaussianBlur(log, (0, 0), 24)
    return detail / np.sqrt(cv2.GaussianBlur(detail**2, (0, 0), 24) + 1e-4)


def scenes(folders: list[Path]) -> None:
    print(
        "## Scenes with truth: rms px per frame, first frame as the reference\n\n| scene | method | worst | all frames |\n|---|---|---|---|"
    )
    for folder in folders:
        truth = {k: np.array(v) for k, v in json.loads((folder / "truth/homographies.json").read_text()).items()}
        series = read_series(folder / "frames")
        frames = [f.pixels() for f in series.frames]
        true = [truth[Path(f.name).stem] for f in series.frames]
        size = series.shape[::-1]
        start = time.process_time()
        found = alignment.solve([observe(f) for f in frames], reference=0)
        each = (time.process_time() - start) / len(frames)
        rows = {
            "none": [np.eye(3)] * len(frames),
            "features only": [by_features(frames[0], f) for f in frames],
            "ECC, log-normalised": [_caught(frames[0], f) for f in frames],
            f"lampwalk ({each:.2f} s CPU a frame)": [a.frame_to_reference for a in found],
        }
        for name, matrices in rows.items():
            values = [np.inf if m is None else rms(m, t, size) for m, t in zip(matrices, true, strict=True)][1:]
            print(f"| {folder.name} | {name} | {max(values):.3f} | {' '.join(f'{v:.2f}' for v in values)} |")


def _caught(reference: np.ndarray, frame: np.ndarray) -> np.ndarray | None:
    try:
        return by_ecc(reference, frame)
    except cv2.error:
        return None


def sizes(megapixels: list[float]) -> None:
    """Fine grain moved by fractions of a pixel and by a knock, under a lamp that walks; 28 mm at 36 mm width."""
    print("## Sizes\n\n| size | moved, px | error, px | CPU observe, s | CPU solve, s a frame |\n|---|---|---|---|---|")
    for mp in megapixels:
        w, h = round((mp * 1.5e6) ** 0.5 / 16) * 16, round((mp * 1.5e6) ** 0.5 / 24) * 16
        rng = np.random.default_rng(int(mp))
        grain = sum(
            cv2.resize(rng.random((h // s + 2, w // s + 2), np.float32) - 0.5, (w, h), interpolation=cv2.INTER_CUBIC)
            for s in (1, 2, 4, 8, 16, 64)
        )
        albedo = np.clip(0.4 + 0.2 * cv2.GaussianBlur(grain, (0, 0), 0.7), 0.02, 1)
        lens = np.array([[0.78 * w, 0, (w - 1) / 2], [0, 0.78 * w, (h - 1) / 2], [0, 0, 1]])
        frames, true = [], []
        for index, moved in enumerate((0, 0.3, 0.6, 0.9, 20)):
            angles = np.array([*rng.normal(0, 1, 2), 0])
            angles *= moved / max(np.hypot(*angles[:2]), 1e-9) / lens[0, 0]
            angles[2] = np.deg2rad(rng.uniform(-0.02, 0.02)) * min(moved, 2)
            matrix = lens @ cv2.Rodrigues(angles)[0] @ np.linalg.inv(lens)
            flags = cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP
            seen_ = cv2.warpPerspective(albedo, matrix, (w, h), flags=flags, borderMode=cv2.BORDER_REFLECT)
            x = np.linspace(0, 1, w, dtype=np.float32)[None]
            seen_ *= 0.2 + (0.8 * np.exp(-(((x - index / 5) / 0.3) ** 2)) if index else 0)
            seen_ += rng.normal(0, 0.003, seen_.shape).astype(np.float32)
            frames.append(np.repeat(np.rint(np.clip(seen_, 0, 1) ** (1 / 2.2) * 255).astype(np.uint8)[..., None], 3, 2))
            true.append(matrix / matrix[2, 2])
        with parallel.limited(1):
            start = time.process_time()
            sightings = [observe(f) for f in frames]
            looked = time.process_time()
            found = alignment.solve(sightings, reference=0, pixels=lambda i, frames=frames: frames[i])
            done = time.process_time()
        moves = " ".join(f"{rms(np.eye(3), t, (w, h)):.1f}" for t in true[1:])
        errors = " ".join(
            "-" if a.frame_to_reference is None else f"{rms(a.frame_to_reference, t, (w, h)):.3f}"
            for a, t in zip(found[1:], true[1:], strict=True)
        )
        n = len(frames)
        print(f"| {w}x{h} | {moves} | {errors} | {(looked - start) / n:.3f} | {(done - looked) / n:.3f} |")


def main() -> None:
    cv2.setNumThreads(1)
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    commands = parser.add_subparsers(dest="command", required=True)
    made = commands.add_parser("cases")
    made.add_argument("--bad", type=int, default=500)
    made.add_argument("--good", type=int, default=200)
    commands.add_parser("scenes").add_argument("folders", type=Path, nargs="+")
    commands.add_parser("sizes").add_argument("--mp", type=float, nargs="+", default=[1, 6, 24, 45])
    arguments = parser.parse_args()
    if arguments.command == "cases":
        cases(arguments.bad, arguments.good)
    elif arguments.command == "scenes":
        scenes(arguments.folders)
    else:
        sizes(arguments.mp)


if __name__ == "__main__":
    main()
