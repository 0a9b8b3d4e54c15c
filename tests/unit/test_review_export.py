"""The exported page needs nothing but itself, and the command ends as it should."""

from __future__ import annotations

import base64
import hashlib
import html
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from lampwalk.errors import InputError, OutputError
from lampwalk.review import write_page

SRC = Path(__file__).parents[2] / "src"


@pytest.fixture(scope="module")
def exported(small_run, tmp_path_factory):
    file = tmp_path_factory.mktemp("export") / "page.html"
    write_page(small_run.folder, file)
    return file.read_text("utf-8")


def test_nothing_is_asked_from_elsewhere(exported):
    addresses = re.findall(r"""(?:src|href|url|action)\s*[=(]\s*["']?([^"'>)\s]+)""", exported)
    assert not [a for a in addresses if re.match(r"(https?:)?//", a)]
    assert not re.search(r"\b(fetch|XMLHttpRequest|WebSocket|import)\s*\(", exported)
    assert not re.search(r"^\s*(import|export) ", exported, re.M)


def test_its_policy_allows_its_own_script_and_style_only(exported):
    policy = html.unescape(re.search(r'Content-Security-Policy" content="([^"]+)"', exported)[1])
    assert policy.startswith("default-src 'none'")
    for tag, name in (("style", "style-src"), ('script type="module"', "script-src")):
        body = re.search(rf"<{tag}>(.*?)</{tag.split()[0]}>", exported, re.S)[1]
        digest = base64.b64encode(hashlib.sha256(body.encode()).digest()).decode()
        assert f"{name} 'sha256-{digest}'" in policy


def test_it_shows_every_frame_and_the_result(exported):
    data = json.loads(re.search(r'id="data">(.*?)</script>', exported, re.S)[1])
    assert [f["file"] for f in data["frames"]] == [f"{i:02d}.jpg" for i in range(10)]
    assert len(data["pictures"]) == 10
    assert data["result"].startswith("data:image/jpeg;base64,/9j/")
    assert data["size"] == [400, 600]


def test_names_from_the_disk_do_no_harm(small_scene, tmp_path):
    """A frame called like a tag stays text."""
    import lampwalk

    evil = ["<img src=x onerror=alert(1)>.jpg", "</script><script>alert(2)<.jpg", "a&b \"c\" 'd'.jpg"]
    frames = tmp_path / "<b>set"
    frames.mkdir()
    for source, name in zip(sorted((small_scene / "frames").glob("*.jpg")), [*evil, "d.jpg"], strict=False):
        shutil.copy(source, frames / name.replace("/", "\u2215"))
    lampwalk.merge_folder(frames, tmp_path / "<i>run")
    write_page(tmp_path / "<i>run", tmp_path / "page.html")
    text = (tmp_path / "page.html").read_text("utf-8")
    assert "<img src=x" not in text
    assert "<i>run" not in text
    assert text.count("</script>") == 2
    data = json.loads(re.search(r'id="data">(.*?)</script>', text, re.S)[1])
    assert evil[0] in [f["file"] for f in data["frames"]]


def test_it_is_written_whole_or_not_at_all(small_run, tmp_path):
    with pytest.raises(InputError):
        write_page(small_run.folder, tmp_path / "page.pdf")
    with pytest.raises(OutputError):
        write_page(small_run.folder, tmp_path / "nowhere" / "page.html")
    assert not list(tmp_path.iterdir())


@pytest.mark.skipif(os.name != "posix", reason="sends SIGINT")
def test_ctrl_c_ends_the_command_well(small_run, tmp_path):
    code = (
        "import argparse, sys\n"
        "from lampwalk.commands import review\n"
        "parser = argparse.ArgumentParser()\n"
        "review.add_parser(parser.add_subparsers())\n"
        "args = parser.parse_args(sys.argv[1:])\n"
        "sys.exit(args.func(args))\n"
    )
    command = [sys.executable, "-c", code, "review", str(small_run.folder), "--no-browser", "--json"]
    environment = {**os.environ, "PYTHONPATH": str(SRC)}
    process = subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=environment,
        text=True,
        start_new_session=True,
    )
    try:
        address = json.loads(process.stdout.readline())["address"]
        assert address.startswith("http://127.0.0.1:")
        time.sleep(0.5)  # it is serving now, or about to
        process.send_signal(signal.SIGINT)
        _, errors = process.communicate(timeout=120)
    finally:
        process.kill()
        process.wait()
    assert process.returncode == 0, errors
    assert "Traceback" not in errors
