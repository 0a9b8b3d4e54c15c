"""A whole walk from outside: frames copied in slowly, Ctrl-C, the merge at full size, and what was said."""

from __future__ import annotations

import os
import queue
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import cv2
import numpy as np
import pytest

import lampwalk
from lampwalk import livefolder, worksheet
from lampwalk.files import read_facts, read_pixels

SOURCE = Path(lampwalk.__file__).parent.parent
PATIENCE_S = 90
WITHOUT_EVENTS = (
    "import sys; sys.modules['watchfiles'] = None; from lampwalk.cli import main; sys.exit(main(sys.argv[1:]))"
)
WITH_EVENTS = "import sys; from lampwalk.cli import main; sys.exit(main(sys.argv[1:]))"


@pytest.fixture(scope="module")
def walk(small_scene) -> dict[str, np.ndarray]:
    """Daylight, a lamp on the left, the tripod moved, a lamp that burns out, a flash that did not fire, another view."""
    day = cv2.convertScaleAbs(cv2.imread(str(small_scene / "frames" / "00.jpg")), alpha=0.8)
    y, x = np.mgrid[:400, :600]
    pool = np.exp(-((x - 110) ** 2 + (y - 310) ** 2) / (2 * 60.0**2))[..., None]
    lamp = np.clip(day * (1 + 2 * pool) + 40 * pool, 0, 255).astype(np.uint8)
    moved = cv2.warpAffine(lamp, np.float64([[1, 0, 6], [0, 1, 4]]), (600, 400), borderMode=cv2.BORDER_REFLECT)
    burnt = np.clip(moved.astype(float) + 400 * pool, 0, 255).astype(np.uint8)
    made = {"1day": day, "2lamp": lamp, "3moved": moved, "4burnt": burnt, "5dead": cv2.add(day, 1)}
    return {name: cv2.resize(p, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC) for name, p in made.items()}


def copy_slowly(data: bytes, target: Path) -> None:
    """Write as a card reader does: under the final name, in pieces."""
    with target.open("wb") as file:
        for start in range(0, len(data), len(data) // 3 + 1):
            file.write(data[start : start + len(data) // 3 + 1])
            file.flush()
            time.sleep(0.1)


def said(lines: queue.Queue[str], sign: str, heard: list[str]) -> None:
    """Wait for a line."""
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        heard.append(lines.get(timeout=PATIENCE_S))
        if sign in heard[-1]:
            return
    raise AssertionError(f"{sign!r} was not said: {heard}")


@pytest.mark.parametrize("program", [WITH_EVENTS, WITHOUT_EVENTS], ids=["events", "polling"])
def test_a_walk_is_told_ended_and_merged(walk, tmp_path, program):
    if program is WITH_EVENTS:
        pytest.importorskip("watchfiles")
    incoming, run = tmp_path / "incoming", tmp_path / "run"
    incoming.mkdir()
    child = subprocess.Popen(
        [sys.executable, "-c", program, "watch", str(incoming), "--output", str(run), "--merge"],
        env=os.environ | {"PYTHONPATH": str(SOURCE)}, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    lines: queue.Queue[str] = queue.Queue()
    heard: list[str] = []
    assert child.stderr is not None
    reader = threading.Thread(target=lambda: [lines.put(line) for line in child.stderr], daemon=True)  # type: ignore[union-attr]
    reader.start()
    try:
        said(lines, "end: Ctrl-C", heard)
        for name, picture in walk.items():
            data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 95])[1].tobytes()
            copy_slowly(data, incoming / f"{name}.jpg")
            said(lines, f"{name}.jpg: ", heard)
            said(lines, "no lamp yet", heard)
            shown = read_pixels(run / "picture.jpg")
            assert shown.shape == (800, 1200, 3)
        page = (run / livefolder.PAGE).read_text("utf-8")
        live = [r.file for r in worksheet.load(run / "worksheet.json").frames]
        (incoming / "6half.jpg").write_bytes(data[: len(data) // 2])  # the copy that Ctrl-C cuts short
        child.send_signal(signal.SIGINT)
        assert child.wait(PATIENCE_S) == 1  # frames need a look
    finally:
        child.kill()
        child.wait()
    reader.join(PATIENCE_S)
    child.stderr.close()
    while not lines.empty():
        heard.append(lines.get())
    told = "".join(heard)
    assert "Traceback" not in told
    assert "3moved.jpg: the tripod moved by 1" in told  # (12, 8) px at this size: 14.4
    assert told.count("the tripod moved by 1") == 2  # and back, with 5dead
    assert "4burnt.jpg: this lamp clips" in told
    assert "lower left" in told.split("4burnt.jpg: this lamp clips")[1].splitlines()[0]
    assert "5dead.jpg: the flash did not fire" in told
    assert "no lamp yet: upper left" in told
    assert "6half.jpg: left out" in told
    assert "5dead.jpg" in page
    assert live == [f"{name}.jpg" for name in walk]
    sheet = worksheet.load(run / "worksheet.json")
    assert {r.file for r in sheet.frames if r.role != "left out"} >= {"1day.jpg", "2lamp.jpg", "3moved.jpg"}
    facts = read_facts(run / "composite.tif")
    assert (facts.height, facts.width, facts.bits) == (800, 1200, 16)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["incoming", "run"]
