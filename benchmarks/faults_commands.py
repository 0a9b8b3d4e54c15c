"""kill -9 at random moments of `batch` and of `watch`, or each file operation failing in turn: a Markdown table.

    python benchmarks/faults_commands.py batch|watch [KILLS] [SEED]
    LD_PRELOAD=SHIM python benchmarks/faults_commands.py batch-faults|watch-faults [POINTS]

SHIM is tests/files/fault_shim.c as a shared library (cc -shared -fPIC); POINTS operations, spread over all of the command's own,
fail with EIO, with ENOSPC, and take the process down. What the merges in worker processes do is tried by faults.py.

The command runs in a session of its own. Every second kill of a batch hits the parent alone, which leaves its workers to end by
themselves, the others hit the whole session at once, as a power failure does. After each kill: run folders are compared,
bit for bit, with the former and the new ones (what `watch` shows while it goes on: each file whole, the worksheet
readable); no process is left after SETTLE_S; the command is started again and must end with the new runs and nothing beside
them; the frames are what they were. Needs Linux.
"""

from __future__ import annotations

import ctypes
import errno
import os
import random
import shutil
import signal
import sys
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from tempfile import TemporaryDirectory

import cv2

from lampwalk import cli, files, livefolder, worksheet

TESTS = Path(__file__).parent.parent / "tests"
sys.path.insert(0, str(TESTS / "files"))
from faulty import COUNT, CRASH, ERROR, tree

SCENE = TESTS / "scenes" / "small_slipway" / "frames"
SETTLE_S = 5.0
SERIES = ("bow", "keel", "stern")


def put(folder: Path, names: tuple[str, ...], size: tuple[int, int], gain: float = 1.0) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for name in names:
        picture = cv2.resize(cv2.imread(str(SCENE / f"{name}.jpg")), size, interpolation=cv2.INTER_AREA)
        cv2.imwrite(str(folder / f"{name}.png"), cv2.convertScaleAbs(picture, alpha=gain))


def start(*args: object, fault: tuple[int, int, int] | None = None, below: Path | None = None) -> int:
    """Run a command in a child with a session of its own: its id. A fault: (n-th operation below a folder, how, errno)."""
    child = os.fork()
    if child == 0:
        os.setsid()
        shim = ctypes.CDLL(None) if fault and below else None
        if shim and fault and below:
            shim.fault_arm(*fault, os.fsencode(below))
        quiet = os.open(os.devnull, os.O_RDWR)
        os.dup2(quiet, 2)
        signal.signal(signal.SIGINT, signal.default_int_handler)
        status = 70
        try:
            status = cli.main([str(a) for a in args])
        finally:
            if shim and below and fault and fault[1] == COUNT:
                seen = shim.fault_seen()
                shim.fault_arm(-1, 0, 0, b"/nowhere")
                below.with_name("seen").write_text(str(seen))
            os._exit(status)
    return child


def wait(child: int) -> int:
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def session(leader: int) -> Iterator[int]:
    """Living processes of a session (proc(5): the fields after the name; the fourth is the session)."""
    for entry in Path("/proc").iterdir():
        if entry.name.isdecimal():
            try:
                state, _, _, owner = (entry / "stat").read_text().rsplit(") ", 1)[1].split()[:4]
            except (OSError, IndexError, ValueError):
                continue
            if int(owner) == leader and state != "Z":
                yield int(entry.name)


def gone(leader: int) -> bool:
    """Whether all processes of a session end by themselves; ends them in the end."""
    end = time.monotonic() + SETTLE_S
    while time.monotonic() < end:
        if not list(session(leader)):
            return True
        time.sleep(0.05)
    for process in session(leader):
        os.kill(process, signal.SIGKILL)
    return False


def batch_kills(home: Path, kills: int, rng: random.Random) -> Iterator[tuple[str, str, str]]:
    """Yield (before, after, what is wrong)."""
    shoots, runs, kept = home / "shoots", home / "runs", home / "kept"
    command = ("batch", shoots, "--output", runs, "--workers", 2, "--quiet")
    wanted = {}
    for version, gain in (("former", 0.97), ("new", 1.0)):
        for name in SERIES:
            put(shoots / name, ("00", "03", "06"), (120, 80), gain)
        took = time.monotonic()
        assert wait(start(*command)) in (0, 1)
        took = time.monotonic() - took
        wanted[version] = {name: tree(runs / name) for name in SERIES}
        if version == "former":
            shutil.copytree(runs, kept)
    assert all(wanted["former"][name] != wanted["new"][name] for name in SERIES)
    originals = tree(shoots)
    whole = sorted([*SERIES, "batch.json", "index.html", "summary.csv"])
    for number in range(kills):
        former = number % 4 >= 2
        shutil.rmtree(runs)
        if former:
            shutil.copytree(kept, runs)
        child = start(*command)
        time.sleep(rng.uniform(0, 1.05 * took))
        for process in [child] if number % 2 else list(session(child)):
            with suppress(ProcessLookupError):
                os.kill(process, signal.SIGKILL)
        status = wait(child)
        wrong = "" if gone(child) else "a worker outlived its parent"
        ends = []
        for name in SERIES:
            now = tree(runs / name)
            is_new, is_old = now == wanted["new"][name], now == (wanted["former"][name] if former else "")
            ends.append("new" if is_new else "former" if is_old else "BROKEN")
            if not (is_new or is_old):
                wrong = wrong or f"{name} is neither the former nor the new run"
        again = wait(start(*command))
        if again not in (0, 1):
            wrong = wrong or f"the next start ended with {again}"
        if {name: tree(runs / name) for name in SERIES} != wanted["new"]:
            wrong = wrong or "the next start did not bring the new runs"
        if sorted(p.name for p in runs.iterdir()) != whole:
            wrong = wrong or f"left: {sorted({p.name for p in runs.iterdir()} - set(whole))}"
        if tree(shoots) != originals:
            wrong = wrong or "the frames were changed"
        how = (
            "ended before"
            if status >= 0
            else f"{ends.count('new')} of 3 new, the others {'former' if former else 'absent'}"
        )
        yield "former runs" if former else "no runs", how, wrong


def points(operations: int, wanted: int) -> Iterator[tuple[int, int, int]]:
    """Faults spread over all operations."""
    for n in range(0, operations, max(1, operations // wanted)):
        yield from ((n, ERROR, errno.EIO), (n, ERROR, errno.ENOSPC), (n, CRASH, 0))


def told(fault: tuple[int, int, int]) -> str:
    return "crash" if fault[1] == CRASH else errno.errorcode[fault[2]]


def batch_faults(home: Path, wanted: int, _: random.Random) -> Iterator[tuple[str, str, str]]:
    """Yield (before and fault, after, what is wrong); one worker, which is the command itself."""
    shoots, runs, kept = home / "shoots", home / "runs", home / "kept"
    command = ("batch", shoots, "--output", runs, "--workers", 1, "--quiet")
    trees, operations = {}, 0
    for version, gain in (("former", 0.97), ("new", 1.0)):
        for name in SERIES[:2]:
            put(shoots / name, ("00", "03", "06"), (120, 80), gain)
        assert wait(start(*command, fault=(0, COUNT, 0), below=runs)) in (0, 1)
        operations = int((home / "seen").read_text())
        trees[version] = {name: tree(runs / name) for name in SERIES[:2]}
        if version == "former":
            shutil.copytree(runs, kept)
    originals, whole = tree(shoots), sorted(p.name for p in runs.iterdir())
    for former in (True, False):
        for fault in points(operations, wanted):
            shutil.rmtree(runs)
            if former:
                shutil.copytree(kept, runs)
            status = wait(start(*command, fault=fault, below=runs))
            wrong = "" if status in (0, 1, 2, 137) else f"exit status {status}"
            ends = []
            for name, new in trees["new"].items():
                now = tree(runs / name)
                known = {new: "new", trees["former"][name] if former else "": "former" if former else "absent"}
                ends.append(known.get(now, "BROKEN"))
            if "BROKEN" in ends:
                wrong = wrong or "a run is neither the former nor the new one"
            again = wait(start(*command))
            if again not in (0, 1) or {name: tree(runs / name) for name in trees["new"]} != trees["new"]:
                wrong = wrong or f"the next start did not bring the new runs ({again})"
            if sorted(p.name for p in runs.iterdir()) != whole:
                wrong = wrong or f"left: {sorted({p.name for p in runs.iterdir()} - set(whole))}"
            if tree(shoots) != originals:
                wrong = wrong or "the frames were changed"
            yield f"{'former runs' if former else 'no runs'}, {told(fault)}", f"exit {status}, {', '.join(ends)}", wrong


def watch_faults(home: Path, wanted: int, _: random.Random) -> Iterator[tuple[str, str, str]]:
    """Yield (fault, after, what is wrong)."""
    frames, run = home / "frames", home / "out" / "run"
    put(frames, ("00", "03", "06"), (300, 200))
    originals = tree(frames)
    command = ("watch", frames, "--output", run, "--merge", "--quiet")
    assert finish_watch(command, run, fault=(0, COUNT, 0), below=run.parent) in (0, 1)
    operations, new = int((home / "seen").read_text()), tree(run)
    for fault in points(operations, wanted):
        shutil.rmtree(run.parent)
        run.parent.mkdir()
        status = finish_watch(command, run, fault=fault, below=run.parent)
        after = watched(run, new)
        wrong = judged(command, run, after, new) or ("" if tree(frames) == originals else "the frames were changed")
        yield told(fault), f"exit {status}, {after}", wrong


def watched(run: Path, new: str) -> str:
    """What lies at a watched folder: `absent`, `live`, `merged`, or what is broken."""
    now = tree(run)
    if now in ("", new):
        return "merged" if now else "absent"
    names = {p.name for p in run.iterdir() if not p.name.startswith(".")}
    if not names <= {livefolder.PAGE, livefolder.NOT_REACHED, "picture.jpg", "worksheet.json"}:
        return f"BROKEN: {sorted(names)}"
    try:
        if not (run / livefolder.PAGE).read_text("utf-8").endswith("</html>\n"):
            return "BROKEN: page"
        if (run / "picture.jpg").exists():
            files.read_pixels(run / "picture.jpg")
            worksheet.load(run / "worksheet.json")
        if (run / livefolder.NOT_REACHED).exists():
            files.read_pixels(run / livefolder.NOT_REACHED)
    except Exception as error:
        return f"BROKEN: {error}"
    return "live"


def finish_watch(
    command: tuple[object, ...], run: Path, *, fault: tuple[int, int, int] | None = None, below: Path | None = None
) -> int:
    """Watch until the page names the last frame, then Ctrl-C; the command merges: its exit status."""
    begin, child = time.time(), start(*command, fault=fault, below=below)
    if (run / "composite.tif").exists():
        return wait(child)  # it refuses
    end = time.monotonic() + 60
    while time.monotonic() < end:
        try:
            page = run / livefolder.PAGE
            if page.stat().st_mtime > begin and "06.png" in page.read_text("utf-8"):
                break
        except OSError:
            pass
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.02)
    os.kill(child, signal.SIGINT)
    return wait(child)


def judged(command: tuple[object, ...], run: Path, after: str, new: str) -> str:
    """Start a broken-off watch again and tell what is wrong, with what lay there or with what comes of it; empty if nothing."""
    wrong = after if after.startswith("BROKEN") else ""
    again = finish_watch(command, run)
    if again not in ((2,) if after == "merged" else (0, 1)):
        wrong = wrong or f"the next start ended with {again}"
    if tree(run) != new:
        wrong = wrong or "the next start did not end with the merge"
    if [p.name for p in run.parent.iterdir()] != ["run"]:
        wrong = wrong or f"left: {sorted(p.name for p in run.parent.iterdir())}"
    return wrong


def watch_kills(home: Path, kills: int, rng: random.Random) -> Iterator[tuple[str, str, str]]:
    """Yield (before, after, what is wrong)."""
    frames, run, kept = home / "frames", home / "out" / "run", home / "kept"
    put(frames, ("00", "03", "06"), (300, 200))
    originals = tree(frames)
    command = ("watch", frames, "--output", run, "--merge", "--quiet")
    took = time.monotonic()
    assert finish_watch(command, run) in (0, 1)
    took = time.monotonic() - took
    new = tree(run)
    shutil.rmtree(run)
    child = start(*command)  # a walk that was broken off is what lies there before
    while watched(run, new) != "live":
        time.sleep(0.02)
    time.sleep(1.0)
    os.kill(child, signal.SIGKILL)
    wait(child)
    shutil.copytree(run, kept)
    for number in range(kills):
        former = number % 2 == 1
        shutil.rmtree(run.parent)
        run.parent.mkdir()
        if former:
            shutil.copytree(kept, run)
        child = start(*command)
        moment, interrupt = rng.uniform(0, 1.05 * took), 0.55 * took
        time.sleep(min(moment, interrupt))
        if moment > interrupt:
            os.kill(child, signal.SIGINT)
            time.sleep(moment - interrupt)
        os.kill(child, signal.SIGKILL)
        status = wait(child)
        after = watched(run, new)
        wrong = "the former folder is gone" if after == "absent" and former else ""
        wrong = judged(command, run, after, new) or wrong
        if tree(frames) != originals:
            wrong = wrong or "the frames were changed"
        yield "a walk broken off" if former else "nothing", after + ("" if status < 0 else ", ended before"), wrong


def main() -> None:
    command = sys.argv[1]
    kills = int(sys.argv[2]) if len(sys.argv) > 2 else 200
    rng = random.Random(sys.argv[3] if len(sys.argv) > 3 else "1")
    cv2.setNumThreads(1)
    begin = time.monotonic()
    count: Counter[tuple[str, str]] = Counter()
    bad: Counter[tuple[str, str]] = Counter()
    remarks = []
    with TemporaryDirectory() as scratch, suppress(KeyboardInterrupt):  # what was tried is told
        trials = {
            "batch": batch_kills,
            "watch": watch_kills,
            "batch-faults": batch_faults,
            "watch-faults": watch_faults,
        }
        trial = trials[command]
        for before, after, wrong in trial(Path(scratch), kills, rng):
            count[before, after] += 1
            if wrong:
                bad[before, after] += 1
                remarks.append(f"- {sum(count.values())}, {before}, {after}: {wrong}")
                print(remarks[-1], file=sys.stderr, flush=True)
    print("| before | after | times | wrong |\n|---|---|---|---|")
    for key, times in sorted(count.items()):
        print(f"| {key[0]} | {key[1]} | {times} | {bad[key]} |")
    print(f"\n{sum(count.values())} trials of {command} in {time.monotonic() - begin:.0f} s.")
    print("\n".join(remarks))


if __name__ == "__main__":
    main()
