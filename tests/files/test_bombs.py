"""Files made to exhaust a reader are refused, or read as the small pictures they are; memory and processor are limited."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

import lampwalk
from files import bombs

SOURCE = Path(lampwalk.__file__).parent.parent
ROOM_BYTES, PROCESSOR_S = 400_000_000, 20

TRIAL = f"""
import json, resource, sys
from pathlib import Path
import cv2
cv2.setNumThreads(1)
from lampwalk import alignment, runfolder, split
from lampwalk.errors import LampwalkError
from lampwalk.files import read_facts, read_pixels
import tifffile, PIL.Image, imagecodecs, simplejpeg
used = int(Path("/proc/self/statm").read_text().split()[0]) * 4096
resource.setrlimit(resource.RLIMIT_AS, (used + {ROOM_BYTES}, used + {ROOM_BYTES}))
resource.setrlimit(resource.RLIMIT_CPU, ({PROCESSOR_S}, {PROCESSOR_S}))
path = Path(sys.argv[1])
said = []
def glance():
    facts = read_facts(path)
    return split._look(split._Shot(files=(path,), path=path, facts=facts), split.GLANCE_PX)
def decode():
    facts = read_facts(path)
    assert read_pixels(path, facts.orientation).shape == (facts.height, facts.width, 3)
for name, use in (("facts", lambda: read_facts(path)), ("pixels", decode), ("glance", glance),
                  ("mask", lambda: runfolder.read_mask(path))):
    try:
        use()
        said.append(name + " read")
    except LampwalkError as error:
        said.append(name + " refused: " + error.message)
print(json.dumps(said))
"""

REFUSED = {
    "png_giant", "jpeg_giant", "jpeg_many_scans", "tiff_of_a_million_pages", "tiff_giant_tiles", "tiff_many_samples",
    "avif_giant",
}  # fmt: skip
"""Their pixels would do the harm. Those of the others are few: they may be read, or refused for what is round them."""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="needs limits of address space")
@pytest.mark.parametrize("name", bombs.PICTURES)
def test_a_bomb_does_no_harm(name, tmp_path):
    path = bombs.write(tmp_path, name)
    env = os.environ | {"PYTHONPATH": str(SOURCE), "OPENCV_LOG_LEVEL": "OFF"}
    done = subprocess.run([sys.executable, "-c", TRIAL, path], env=env, capture_output=True, text=True, timeout=200)
    assert done.returncode == 0, done.stderr[-2000:]
    said = json.loads(done.stdout.splitlines()[-1])
    assert "refused" in said[1] or name not in REFUSED, said
    assert not any("not enough memory" in line for line in said), said


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="needs limits of address space")
def test_the_limits_catch_a_bomb(tmp_path):
    """The trial itself can fail: 1.5 GB do not fit."""
    (tmp_path / "x.jpg").write_bytes(b"")
    greedy = TRIAL.replace("path = Path(sys.argv[1])", "bytes(1_500_000_000)")
    done = subprocess.run(
        [sys.executable, "-c", greedy], env=os.environ | {"PYTHONPATH": str(SOURCE)}, capture_output=True
    )
    assert b"MemoryError" in done.stderr
