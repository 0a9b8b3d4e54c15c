"""What a stranger's files, names and links can not do."""

from __future__ import annotations

import ast
import json
import os
import sys
import zipfile
from pathlib import Path

import cv2
import numpy as np
import pytest

import lampwalk
from lampwalk import encode, merging, metadata, runfolder, split, worksheet
from lampwalk.errors import OutputError, WorksheetError
from lampwalk.files import read_facts
from lampwalk.handoff import Extras

PACKAGE = Path(lampwalk.__file__).parent
QUICK = lampwalk.Choices(hide=False, glow=False, fill=False, quiet=False)
FORBIDDEN_MODULES = {"pickle", "marshal", "shelve", "dill", "joblib", "subprocess", "pty", "yaml", "tarfile"}
FORBIDDEN_CALLS = {
    "eval", "exec", "compile", "os.system", "os.popen", "np.load", "numpy.load", "ElementTree.parse", "ElementTree.fromstring",
    "ElementTree.iterparse", "ElementTree.XML", "cv2.FileStorage", "os.startfile", "tempfile.mktemp",
}  # fmt: skip
"""Ways to run what a file says, to unpack Python objects, or to parse XML, which may hold entities."""


def forbidden(source: str) -> set[str]:
    """What of the forbidden a module uses."""
    found = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found |= {a.name for a in node.names if a.name.split(".")[0] in FORBIDDEN_MODULES}
        elif (
            isinstance(node, ast.ImportFrom)
            and node.level == 0
            and (node.module or "").split(".")[0] in FORBIDDEN_MODULES
        ):
            found.add(node.module or "")
        elif isinstance(node, ast.Call):
            called = ast.unparse(node.func)
            found |= {called} & FORBIDDEN_CALLS
            found |= {
                k.arg for k in node.keywords if k.arg in ("shell", "allow_pickle") and ast.unparse(k.value) != "False"
            }
        elif isinstance(node, ast.Attribute) and node.attr in ("extractall", "extract"):
            found.add(node.attr)
    return found


@pytest.mark.parametrize("path", sorted(PACKAGE.rglob("*.py")), ids=lambda p: p.relative_to(PACKAGE).as_posix())
def test_no_shell_no_pickle_no_xml_parser_no_unpacking(path):
    assert forbidden(path.read_text("utf-8")) == set()


@pytest.mark.parametrize(
    "line",
    ["import pickle", "from subprocess import run", "np.load(f)", "run(c, shell=True)", "ElementTree.parse(f)", "eval(x)",
     "archive.extractall()", "np.fromfile(f, allow_pickle=yes)"],
)  # fmt: skip
def test_the_check_above_sees_what_it_looks_for(line):
    assert forbidden(line)


XXE = b"""<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;">
<!ENTITY f SYSTEM "file:///etc/hostname">]><x:xmpmeta xmlns:x="adobe:ns:meta/"><d>&b;&f;</d></x:xmpmeta>"""
PLAIN = b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><d>by the slipway</d></x:xmpmeta>'


@pytest.mark.parametrize("hostile", [XXE, XXE.replace(b'<?xml version="1.0"?>', b"").decode().encode("utf-16-le")])
def test_xmp_with_entities_is_read_by_nobody_and_not_carried_on(hostile):
    assert metadata.for_output(metadata.Metadata(xmp=hostile), (8, 8)).xmp is None
    assert b"slipway" in metadata.for_output(metadata.Metadata(xmp=PLAIN), (8, 8)).xmp


@pytest.fixture
def frames(small_scene, tmp_path):
    def made(*names: str, xmp: bytes | None = None) -> Path:
        folder = tmp_path / "frames"
        folder.mkdir()
        for source, name in zip(("00", "03", "06"), names, strict=True):
            picture = cv2.resize(cv2.imread(str(small_scene / "frames" / f"{source}.jpg")), (120, 80))
            encode.write_jpeg(folder / name, picture[..., ::-1], xmp=xmp)
        return folder

    return made


def test_no_entity_of_a_frame_reaches_a_result(frames, tmp_path):
    run = lampwalk.merge_folder(frames("0.jpg", "1.jpg", "2.jpg", xmp=XXE), tmp_path / "run", choices=QUICK).folder
    assert read_facts(tmp_path / "frames" / "0.jpg").xmp
    for path in run.rglob("*"):
        assert path.is_dir() or b"<!ENTITY" not in path.read_bytes(), path


@pytest.mark.skipif(os.name == "nt", reason="no such names there")
def test_names_in_an_archive_lead_nowhere(frames, tmp_path):
    """On this system a file may be called as a path is on another one."""
    source = frames("x\\..\\..\\a.jpg", "C:b.jpg", "x..%2f..%2fc.jpg")
    run = merging.merge_folder(source, tmp_path / "run", choices=QUICK, extras=Extras(layers=True)).folder
    with zipfile.ZipFile(run / "layers.ora") as archive:
        names = archive.namelist()
    assert len(names) >= 6
    for name in names:
        assert not set(name) & set("\\:%"), name
        assert ".." not in name.split("/")
        assert not name.startswith("/")


@pytest.mark.parametrize("field", ["file", "mask"])
@pytest.mark.parametrize("name", ["../x.png", "/etc/x.png", "masks/../../x.png", "a\\b.png", "a\0.png", "", 3])
def test_a_worksheets_files_and_masks_stay_in_their_folder(field, name, tmp_path):
    record = {"file": "a.jpg", "role": "ambient", "homography": np.eye(3).tolist(), "mask": None}
    data = {"lampwalk": "0", "format": 1, "reference": "a.jpg", "frames": [record | {field: name}]}
    (tmp_path / "w.json").write_text(json.dumps(data))
    with pytest.raises(WorksheetError, match=field):
        worksheet.load(tmp_path / "w.json")


@pytest.mark.parametrize("text", ["[" * 100_000, '{"a":' * 100_000, "9" * 100_000, '{"series": ' + "1" * 5000 + "}"])
def test_text_made_to_exhaust_a_reader_is_refused(text, tmp_path):
    (tmp_path / "x.json").write_text(text)
    with pytest.raises(WorksheetError):
        worksheet.load(tmp_path / "x.json")
    with pytest.raises(WorksheetError):
        split.read_split(tmp_path / "x.json", tmp_path)


@pytest.mark.skipif(not hasattr(os, "O_NOFOLLOW"), reason="no links to lay")
def test_links_that_somebody_laid_in_a_shared_folder_are_not_written_through(tmp_path):
    precious, target = tmp_path / "precious", tmp_path / "out" / "x.json"
    precious.write_text("as it was")
    target.parent.mkdir()
    target.with_name(f".x.json{runfolder.PART}").symlink_to(precious)
    runfolder.write_whole(target, "new")
    assert (precious.read_text(), target.read_text()) == ("as it was", "new")
    target.with_name(f".x.json{runfolder.LOCK}").symlink_to(tmp_path / "made elsewhere")
    with pytest.raises(OutputError), runfolder.held(target):
        pass
    assert not (tmp_path / "made elsewhere").exists()
    target.with_name(f".run{runfolder.PART}").symlink_to(tmp_path)
    with runfolder.writing(tmp_path / "out" / "run") as folder:
        (folder / runfolder.SHEET).write_text("{}")
    assert precious.read_text() == "as it was"


def test_as_a_library_it_says_nothing(frames, tmp_path):
    """Quiet by default: nothing on the standard streams, no handler added."""
    code = (
        "import logging, sys, lampwalk; lampwalk.merge_folder(sys.argv[1], sys.argv[2]); "
        "assert not logging.getLogger().handlers and not logging.getLogger('lampwalk').handlers"
    )
    import subprocess

    source = frames("0.jpg", "1.jpg", "2.jpg")
    done = subprocess.run(
        [sys.executable, "-c", code, source, tmp_path / "run"],
        env=os.environ | {"PYTHONPATH": str(PACKAGE.parent)}, capture_output=True, text=True, timeout=200,
    )  # fmt: skip
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
