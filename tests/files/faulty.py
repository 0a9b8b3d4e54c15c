"""Merges that are hurt on purpose, each in a process of its own; told as JSON on standard output.

Run as `python faulty.py PLAN.json` with the shim (fault_shim.c) in LD_PRELOAD. The plan names the frames, a folder to
work in, and the faults: error or crash at the n-th file operation, or kill -9 after some seconds. A fault is good when
the run folder is, bit for bit, the former or the new one, nothing lies beside it after the next start, and the frames
are what they were.
"""

from __future__ import annotations

import ctypes
import errno
import hashlib
import json
import os
import random
import shutil
import signal
import sys
import time
from pathlib import Path

import cv2

from lampwalk import cli, runfolder, worksheet

QUICK = ["--quiet", "--no-hide", "--no-glow", "--no-fill", "--no-quiet", "--no-hot-pixels"]
COUNT, ERROR, CRASH = 3, 1, 2


def tree(folder: Path) -> str:
    """Hash of all names and contents in a folder; empty if it is not there."""
    if not folder.exists():
        return ""
    digest = hashlib.sha256()
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        digest.update(path.relative_to(folder).as_posix().encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()


def merge(
    frames: Path,
    run: Path,
    *more: str,
    at: int = 0,
    mode: int = 0,
    code: int = errno.EIO,
    kill_after: float | None = None,
):
    """Merge in a child process: (exit status, standard error, file operations)."""
    told = run.parent.with_name(f"{run.parent.name}.told")
    child = os.fork()
    if child == 0:
        handle = os.open(told, os.O_RDWR | os.O_CREAT | os.O_TRUNC)
        os.dup2(handle, 2)
        sys.stderr = os.fdopen(os.dup(2), "w", buffering=1)
        shim = ctypes.CDLL(None) if mode else None
        if shim:
            shim.fault_arm(at, mode, code, os.fsencode(run.parent))
        status = 70
        try:
            status = cli.main(["merge", str(frames), "--output", str(run), *QUICK, *more])
        except BaseException as error:  # what the interpreter would print as a traceback
            os.write(2, f"Traceback: {error!r}".encode())
        if shim:
            os.write(2, f"\noperations {shim.fault_seen()}".encode())
        os._exit(status)
    if kill_after is not None:
        time.sleep(kill_after)
        os.kill(child, signal.SIGKILL)
    status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    text = told.read_text(errors="replace")
    operations = int(text.rsplit("operations ", 1)[1]) if "operations " in text else 0
    return status, text, operations


def next_start(run: Path) -> None:
    """What the next merge does first; it then ends without writing."""
    try:
        with runfolder.writing(run):
            raise KeyboardInterrupt
    except KeyboardInterrupt:
        pass


def judge(run: Path, allowed: set[str], status: int, text: str) -> str:
    """What is wrong after a fault; empty if nothing is."""
    if "Traceback" in text:
        return f"traceback: {text[-300:]}"
    if status not in (0, 1, 2, 137, -9):
        return f"exit status {status}"
    if status == 2 and "lampwalk:" not in text:
        return "no message"
    if tree(run) not in allowed:
        return f"the run is neither the former nor the new one: {sorted(p.name for p in run.rglob('*')) if run.exists() else 'absent'}"
    if run.exists():
        worksheet.load(run / "worksheet.json")
    next_start(run)
    beside = sorted(p.name for p in run.parent.iterdir() if p != run)
    if beside:
        return f"left beside it: {beside}"
    return "" if tree(run) in allowed else "the next start changed the run"


def main(plan: dict) -> list[dict]:
    """Carry out a plan."""
    cv2.setNumThreads(1)
    frames, home = Path(plan["frames"]), Path(plan["home"])
    originals = tree(frames)
    keep, run = home / "keep", home / "out" / "run"
    run.parent.mkdir(parents=True)
    trees = {}
    for name, more in (("former", ["--no-level"]), ("new", [])):
        status, text, operations = merge(frames, run, *more, mode=COUNT)
        assert status in (0, 1), text
        trees[name] = tree(run)
        run.rename(keep.with_name(name))
    took = time.perf_counter()
    merge(frames, run)
    took = time.perf_counter() - took
    shutil.rmtree(run)
    rng = random.Random(plan.get("seed", 1))
    results = []
    for former in (False, True):
        if former:
            shutil.copytree(home / "former", run)
        _, _, operations = merge(frames, run, mode=COUNT)
        shutil.rmtree(run)
        every = max(1, operations // plan["points"]) if plan["points"] else 1
        faults = [
            (mode, n, code)
            for n in range(0, operations, every)
            for mode, code in ((ERROR, errno.EIO), (ERROR, errno.ENOSPC), (CRASH, 0))
        ]
        faults += [("kill", rng.uniform(0.0, 1.1 * took), 0) for _ in range(plan["kills"] // 2)]
        for mode, where, code in faults:
            if former:
                shutil.copytree(home / "former", run)
            if mode == "kill":
                status, text, _ = merge(frames, run, kill_after=where)
            else:
                status, text, _ = merge(frames, run, at=where, mode=mode, code=code)
            before = trees["former"] if former else ""
            wrong = judge(run, {before, trees["new"]}, status, text)
            end = "new" if tree(run) == trees["new"] else "former" if former else "absent"
            if not wrong and tree(frames) != originals:
                wrong = "the frames were changed"
            what = {ERROR: errno.errorcode.get(code, ""), CRASH: "crash", "kill": "kill -9"}[mode]
            results.append(
                {
                    "what": what,
                    "where": where,
                    "of": operations,
                    "former": former,
                    "status": status,
                    "end": end,
                    "wrong": wrong,
                }
            )
            shutil.rmtree(run.parent)
            run.parent.mkdir()
    return results


if __name__ == "__main__":
    print(json.dumps(main(json.loads(Path(sys.argv[1]).read_text()))))
