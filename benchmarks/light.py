"""Measure levelling, reach and the cost of light on scenes with known truth; prints the tables of light.md.

    python benchmarks/light.py SCENES_DIR [scene ...]
    python benchmarks/light.py --planted SEED SCENES_DIR [scene ...]    changes planted in one frame after the other

A scene: frames/NN.jpg, truth/homographies.json, truth/meta.json (ambient_drift_ev), truth/ideal.tif,
equipment_NN.png. Alignment and masks are the true ones, so that only the light is measured.
"""

from __future__ import annotations

import json
import sys
import time
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import tifffile
from skimage.color import deltaE_ciede2000, rgb2lab

from lampwalk import ambient, colour, finish, hotpixels, lamps, rules
from lampwalk.files import read_pixels
from lampwalk.previews import CLIPPED, Preview, align_preview, make_preview

BORDER_PX = 24  # left out at the border, as in the scoring
FAR_PX = 32  # distance from any equipment from which only the light counts


def load(scene: Path) -> tuple[list[Preview], list[float], list[np.ndarray]]:
    homographies = json.loads((scene / "truth/homographies.json").read_text())
    drift = {f["frame"]: f["ambient_drift_ev"] for f in json.loads((scene / "truth/meta.json").read_text())["frames"]}
    frames, hidden = [], []
    for path in sorted((scene / "frames").glob("*.jpg")):
        matrix = np.array(homographies[path.stem], float)
        matrix /= matrix[2, 2]
        frames.append(align_preview(make_preview(path.name, read_pixels(path)), matrix))
        mask = cv2.imread(str(scene / f"truth/equipment_{path.stem}.png"), cv2.IMREAD_GRAYSCALE)
        shape = frames[-1].shape
        mask = np.zeros(shape, np.uint8) if mask is None else cv2.warpPerspective(mask, matrix, shape[::-1])
        hidden.append(cv2.dilate(mask, np.ones((9, 9), np.uint8)))
    return frames, [drift[Path(f.name).stem] for f in frames], hidden


def level_errors(frames: list[Preview], drift: list[float], by_day: list[bool]) -> list[str]:
    start = time.perf_counter()
    levels = ambient.level(frames, by_day, 0)
    cost = (time.perf_counter() - start) / len(frames)
    errors = [-lv.ambient_ev - lv.exposure_ev - (d - drift[0]) for lv, d in zip(levels, drift, strict=True)]
    cells = [f"{e:+.3f}" if lv.measured else f"({e:+.3f})" for lv, e in zip(levels, errors, strict=True)][1:]
    rms = float(np.sqrt(np.mean(np.square(errors[1:]))))
    return [*cells, f"rms {rms:.3f}", f"{cost:.2f} s a frame"]


def levelled(frames: list[Preview], by_day: list[bool]) -> list[Preview]:
    levels = ambient.level(frames, by_day, 0)
    plate = ambient.plate(frames, by_day, levels)
    fields = [ambient.level_field(lv, f, plate) for lv, f in zip(levels, frames, strict=True)]
    return [
        f if g is None else replace(f, linear=np.clip(f.linear * g, 0, 1)) for f, g in zip(frames, fields, strict=True)
    ]


def merged(frames: list[Preview], hidden: list[np.ndarray], shares: tuple[np.ndarray | None, ...]) -> np.ndarray:
    rule = rules.get("lighten")
    state = rule.start(frames[0].shape)
    for f, mask, share in zip(frames, hidden, shares, strict=True):
        part = (255 - mask) if share is None else np.minimum(255 - mask, share)
        rule.fold(state, np.rint(colour.to_encoded(f.linear) * (part[..., None] / 255)).astype(np.uint16))
    return state[0]


def against_truth(scene: Path, picture: np.ndarray, hidden: list[np.ndarray]) -> dict[str, float]:
    ideal = rgb2lab(tifffile.imread(scene / "truth/ideal.tif")[..., :3].astype(np.float32) / 65535)
    got = rgb2lab(picture.astype(np.float32) / 65535)
    inside = np.zeros(ideal.shape[:2], bool)
    inside[BORDER_PX:-BORDER_PX, BORDER_PX:-BORDER_PX] = True
    equipment = np.any([m > 0 for m in hidden], axis=0).astype(np.uint8)
    far = inside & (cv2.distanceTransform(1 - equipment, cv2.DIST_L2, 5) > FAR_PX)
    de, diff = deltaE_ciede2000(ideal, got), cv2.medianBlur((got - ideal)[..., 0].astype(np.float32), 5)
    dark = far & (ideal[..., 0] < np.percentile(ideal[..., 0][far], 25))
    return {
        "dE all": float(de[inside].mean()),
        "dE far": float(de[far].mean()),
        "L* bias, darkest quarter": float((got - ideal)[..., 0][dark].mean()),
        "light lost, ppm": float(1e6 * (diff[far] < -2).mean()),
    }


def scene_tables(scene: Path) -> None:
    frames, drift, hidden = load(scene)
    by_day = list(ambient.find_ambient(frames))
    print(f"\n## {scene.name}: ambient frames {[f.name for f, b in zip(frames, by_day, strict=True) if b]}")
    print("drift error, EV:", *level_errors(frames, drift, by_day))
    lamps_only = [i for i, b in enumerate(by_day) if not b]
    if len(lamps_only) < len(frames):
        sub = [frames[i] for i in lamps_only]
        print(
            "without the ambient frame:",
            *level_errors(sub, [drift[i] for i in lamps_only], [False] * len(sub)),
        )
    even = levelled(frames, by_day)
    everywhere: tuple[None, ...] = (None,) * len(frames)
    for title, series, shares in (
        ("plain", frames, everywhere),
        ("levelled", even, everywhere),
        ("levelled, reach", even, rules.reach(even, by_day)),
    ):
        figures = against_truth(scene, merged(series, hidden, shares), hidden)
        print(f"{title}:", ", ".join(f"{k} {v:.3f}" for k, v in figures.items()))
    plate = ambient.plate(even, by_day)
    for s in lamps.suggest(even, plate, by_day, hidden):
        print(f"  {s.name}: {s.gain_ev:+.1f} EV, {s.why}")
    start = time.perf_counter()
    lamps.lamp_field(even[-1], plate, gain_ev=-0.5, warmth=20)
    print(f"one lamp changed, its field: {time.perf_counter() - start:.3f} s at {even[-1].shape}")


def plant(
    frame: Preview, daylight: np.ndarray, ev: float, gradient: tuple[float, float], gains: tuple[float, float, float]
) -> Preview:
    """Change the daylight of a frame, given as it is in this frame, and then its white balance."""
    h, w = frame.shape
    x, y = (np.arange(w) + 0.5) / w - 0.5, (np.arange(h) + 0.5) / h - 0.5
    stops = (ev + gradient[0] * x[None, :] + gradient[1] * y[:, None]).astype(np.float32)
    more = daylight * (np.exp2(stops) - 1)[..., None]
    linear = np.clip(frame.linear + more * ~frame.clipped[..., None], 0, None) * np.float32(gains)
    full = colour.to_linear(np.float32([CLIPPED]))[0]
    return replace(frame, linear=np.clip(linear, 0, 1), clipped=frame.clipped | (linear.max(axis=2) > full))


def planted_errors(frames: list[Preview], drift: list[float], by_day: list[bool], seed: int) -> None:
    """Rms over the picture of what is left of the daylight's change and of the colour's, for five changes of each frame."""
    rng = np.random.default_rng(seed)
    day = by_day.index(True)
    grid = np.linspace(-0.45, 0.45, 7)
    for kind in ("drift", "across", "down", "both", "white balance"):
        cells = []
        for i, frame in enumerate(frames):
            if i == day:
                continue
            ev = float(rng.uniform(-0.4, 0.4))
            across, down = rng.uniform(0.12, 0.35, 2) * rng.choice([-1, 1], 2)
            gradient = (across * (kind in ("across", "both")), down * (kind in ("down", "both")))
            red, blue = np.exp2(rng.uniform(0.15, 0.6, 2) * rng.choice([1, -1]) * [1, -1])
            gains = (float(red), 1.0, float(blue)) if kind == "white balance" else (1.0, 1.0, 1.0)
            daylight = frames[day].linear * np.float32(2 ** (drift[i] - drift[day]))
            series = [plant(frame, daylight, ev, gradient, gains) if k == i else f for k, f in enumerate(frames)]
            found = ambient.level(series, by_day, day)[i]
            e = np.array([found.ambient_ev + found.exposure_ev + ev + drift[i] - drift[day]])
            slope = np.add(found.gradient_ev, gradient)
            left = e + slope[0] * grid[None, :] + slope[1] * grid[:, None]
            tint = np.log2(np.multiply(found.gains, gains))
            each = left[..., None] + tint  # of every channel
            error = float(np.sqrt((each**2).mean()))
            mark = "" if found.measured else "(--)"
            cells.append(mark or f"{error:.3f}" + "?" * ("cannot be told" in found.reason))
        print(f"  planted {kind}:", *cells)


def costs() -> None:
    rng = np.random.default_rng(0)
    pixels = rng.integers(0, 65536, (4000, 6000, 3), dtype=np.uint16)
    for rule in rules.RULES:
        state = rule.start(pixels.shape[:2])
        rule.fold(state, pixels // 2, ambient=True)
        start = time.perf_counter()
        for top in range(0, 4000, 256):
            rule.fold(tuple(p[top : top + 256] for p in state), pixels[top : top + 256])
        print(f"rule {rule.name}: {time.perf_counter() - start:.2f} s a frame of 24 MP")
    lift = {"region": {"ellipse": [0.5, 0.5, 0.3, 0.2]}, "gamma": 1.2}
    spec = finish.from_json({"lift": [lift], "burn": {}, "crop": {"ratio": [16, 9]}})
    start = time.perf_counter()
    finish.apply(pixels, spec)
    print(f"finish: {time.perf_counter() - start:.2f} s for 24 MP")
    smooth = cv2.GaussianBlur((pixels[..., :3] >> 8).astype(np.uint8), (0, 0), 2)
    smooth[rng.integers(0, 4000, 50), rng.integers(0, 6000, 50)] = 255
    hot = hotpixels.HotPixels()
    for k in range(3):
        start = time.perf_counter()
        hot.add(smooth)
        print(f"hot pixels, frame {k + 1}: {time.perf_counter() - start:.3f} s for 24 MP")


def main(arguments: list[str]) -> None:
    seed = int(arguments[1]) if arguments[0] == "--planted" else None
    root, *names = arguments if seed is None else arguments[2:]
    for name in names or sorted(p.name for p in Path(root).iterdir() if (p / "truth").is_dir()):
        if seed is None:
            scene_tables(Path(root) / name)
            continue
        frames, drift, _ = load(Path(root) / name)
        print(f"\n## {name}, seed {seed}")
        planted_errors(frames, drift, list(ambient.find_ambient(frames)), seed)
    if seed is None:
        costs()


if __name__ == "__main__":
    cv2.setNumThreads(1)
    main(sys.argv[1:])
