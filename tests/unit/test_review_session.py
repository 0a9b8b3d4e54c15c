"""A review: changes, saving, conflicts, and runs that are not whole."""

from __future__ import annotations

import json
import shutil
import threading
import time

import cv2
import numpy as np
import pytest
import tifffile

import lampwalk
from lampwalk import merging, runfolder, worksheet
from lampwalk.errors import InputError, OutputError, WorksheetError
from lampwalk.review import keeper, view
from lampwalk.review.opened import open_run
from lampwalk.review.session import Session, Stale

STROKE = {"points": [[250, 200], [330, 230]], "radius": 12, "soft": 0.2, "hide": True}
PAINT = {"do": "paint", "frame": "04.jpg", **STROKE}


@pytest.fixture
def run(small_run, tmp_path_factory):
    """A copy of the merged small scene, at the same depth, so that it finds its frames."""
    folder = tmp_path_factory.mktemp("runs") / "run"
    shutil.copytree(small_run.folder, folder)
    return folder


@pytest.fixture
def session(run):
    session = Session(run)
    session.settle_now()
    yield session
    session.close()


@pytest.fixture(scope="module")
def untouched(small_run):
    """A session for requests that must not change anything."""
    session = Session(small_run.folder)
    session.settle_now()
    return session


def change(session, **request):
    return session.change(request, seen=session.revision)


def picture_of(session):
    return session.table.pixels.copy()


def test_a_stroke_goes_to_the_mask_and_the_worksheet(session, run):
    before = runfolder.read_mask(run / "masks" / "04.png")
    change(session, **PAINT)
    session.keeper.save()
    after = runfolder.read_mask(run / "masks" / "04.png")
    assert (after > before).sum() > 500
    assert (after >= before).all()
    sheet = worksheet.load(run / "worksheet.json")
    assert [r.file for r in sheet.frames if r.by_hand] == ["04.jpg"]
    assert not list(run.rglob("*.part"))


def test_everything_can_be_taken_back_and_brought_again(session):
    start, sheet = picture_of(session), session.sheet
    masks = {name: mask.copy() for name, mask in session.masks.items()}
    change(session, **PAINT)
    change(session, do="lamp", frame="05.jpg", gain_ev=-1.0)
    change(session, do="finish", finish={"burn": {"opacity": 0.5}})
    change(session, do="lamp", frame="06.jpg", on=False)
    end = picture_of(session)
    for _ in range(4):
        change(session, do="undo")
    with pytest.raises(InputError):
        change(session, do="undo")
    # Of 65 535: the fill of one frame was found anew.
    assert np.abs(picture_of(session).astype(int) - start).mean() < 20
    assert worksheet.to_json(session.sheet) == worksheet.to_json(sheet)
    assert all(np.array_equal(session.masks[name], mask) for name, mask in masks.items())
    for _ in range(4):
        change(session, do="redo")
    with pytest.raises(InputError):
        change(session, do="redo")
    assert np.abs(picture_of(session).astype(int) - end).mean() < 20


def test_a_later_session_can_still_undo(session, run):
    change(session, **PAINT)
    change(session, do="lamp", frame="05.jpg", on=False)
    session.keeper.save()
    later = Session(run)
    later.settle_now()
    assert later.history.to_undo.what == "lamp on or off of 05.jpg"
    change(later, do="undo")
    change(later, do="undo")
    later.keeper.save()
    sheet = worksheet.load(run / "worksheet.json")
    assert sheet.frame("05.jpg").on
    assert not sheet.frame("04.jpg").by_hand


def test_the_worksheet_gives_the_same_picture_from_a_script(session, run, tmp_path):
    change(session, **PAINT)
    change(session, do="lamp", frame="05.jpg", gain_ev=-1.0, warmth=40.0)
    crop = {"ratio": [3, 2], "focus": [0.5, 0.5]}
    change(session, do="finish", finish={"burn": {"opacity": 0.5}, "crop": crop})
    session.keeper.save()
    session.settle_now()
    again = lampwalk.merge_worksheet(run / "worksheet.json", tmp_path / "again")
    merged = tifffile.imread(again.folder / "composite.tif").astype(int)
    # The small scene is its own preview: the same pixels, but that a merge warps frames of 8 bits in 8 bits.
    apart = np.abs(merged - session.table.pixels)
    assert apart.mean() < 128  # half a level of 8 bits
    assert np.percentile(apart, 99) < 257
    assert cv2.imread(str(again.folder / "picture.jpg")).shape == (400, 600, 3)


def test_a_new_automatic_run_keeps_corrections_by_hand(session, run, small_scene):
    change(session, **PAINT)
    change(session, do="lamp", frame="06.jpg", on=False)
    session.keeper.save()
    painted = runfolder.read_mask(run / "masks" / "04.png")
    lampwalk.merge_folder(small_scene / "frames", run)
    assert np.array_equal(runfolder.read_mask(run / "masks" / "04.png"), painted)
    assert not worksheet.load(run / "worksheet.json").frame("06.jpg").on


def test_merging_at_full_size_brings_the_folder_up_to_date(session, run):
    change(session, do="lamp", frame="05.jpg", on=False)  # what is painted lies where its lamp adds nothing
    change(session, **PAINT)
    assert not view.state(session)["merged"]
    hidden = [len(r.notes.get("hidden", [])) for r in session.sheet.frames]
    former = tifffile.imread(run / "composite.tif")
    session.merge()
    with session.lock:
        assert session.news.wait_for(lambda: not session.merging, 300)
    assert session.job["failed"] == ""
    state = view.state(session)
    assert state["merged"]
    assert state["undo"] == "paint 04.jpg"
    session.keeper.save()
    assert not np.array_equal(tifffile.imread(run / "composite.tif"), former)
    sheet = worksheet.load(run / "worksheet.json")
    assert [len(r.notes.get("hidden", [])) for r in sheet.frames] == hidden
    assert Session(run).history.to_undo.what == "paint 04.jpg"


def test_a_merge_waits_for_a_stroke_that_is_just_being_written(session, run, monkeypatch):
    before = runfolder.read_mask(run / "masks" / "04.png")
    writing, write_on = threading.Event(), threading.Event()
    real = keeper.encode.write_map

    def slow(*told):
        writing.set()
        write_on.wait(60)
        real(*told)

    session.start()
    with monkeypatch.context() as patch:
        patch.setattr(keeper.encode, "write_map", slow)
        change(session, **PAINT)
        assert writing.wait(60)  # on the thread that saves
        assert not session.keeper.saved
        session.merge()
        time.sleep(0.3)
        assert session.merging
        patch.undo()
        write_on.set()
    with session.lock:
        assert session.news.wait_for(lambda: not session.merging, 300)
        assert session.job["failed"] == ""
    after = runfolder.read_mask(run / "masks" / "04.png")  # of the folder that the merge has put in its place
    assert (after > before).sum() > 500


def test_while_somebody_looks_all_is_made_ready(run, monkeypatch, tmp_path):
    monkeypatch.setattr("lampwalk.review.session.PAUSE_S", 0.0)
    merged = []
    monkeypatch.setattr(merging, "merge_ahead", lambda *a, f=merging.merge_ahead, **k: (f(*a, **k), merged.append(1)))
    session = Session(run)
    session.start()
    with session.lock:
        assert session.news.wait_for(lambda: session.table is not None, 300)
    change(session, **PAINT)
    with session.lock:
        assert session.news.wait_for(lambda: session.ready, 300)
    bare = tmp_path / "bare"
    shutil.copytree(run, bare)
    with monkeypatch.context() as m:
        m.setattr("lampwalk.encode.write_jpeg", lambda *_, **__: pytest.fail("packed once more"))
        session.merge()
        with session.lock:
            assert session.news.wait_for(lambda: not session.merging, 300)
            assert session.job["failed"] == ""
    session.close()
    assert merged
    lampwalk.merge_worksheet(bare / "worksheet.json", bare)
    for name in ("composite.tif", "coverage.png", "picture.jpg"):
        assert (run / name).read_bytes() == (bare / name).read_bytes(), name


def test_a_merge_is_made_ready_before_the_page_has_settled(run, monkeypatch):
    session = Session(run)
    session.settle_now()
    monkeypatch.setattr("lampwalk.review.session.PAUSE_S", 1e6)
    session.start()
    change(session, **PAINT)
    with session.lock:
        assert session.news.wait_for(lambda: session.ready, 300)
        assert session.settled != session.revision
    session.close()


def test_settling_gives_way_to_a_merge(session, monkeypatch):
    change(session, **PAINT)
    steps = []

    def asked_for_meanwhile(run, sheet, masks, goes_on):
        for step in range(2):
            goes_on()
            steps.append(step)
            session.job = {"step": "looking", "done": 0, "of": 1, "failed": ""}

    monkeypatch.setattr("lampwalk.review.session.settle", asked_for_meanwhile)
    session.settle_now()
    assert steps == [0]
    assert session.settled != session.revision
    assert session.problem == ""


def test_missing_frames_are_named_and_all_else_works(session, run):
    data = json.loads((run / "worksheet.json").read_text("utf-8"))
    data["folder"] = "../gone"
    (run / "worksheet.json").write_text(json.dumps(data), "utf-8")
    other = Session(run)
    other.settle_now()
    assert "10 of 10 original frames" in " ".join(other.run.notices)
    change(other, **PAINT)
    other.keeper.save()
    with pytest.raises(WorksheetError, match=r"00\.jpg, 01\.jpg"):
        other.merge()


def test_two_pages_do_not_overwrite_each_other(session):
    seen = session.revision
    session.change(PAINT, seen=seen)
    with pytest.raises(Stale):
        session.change({"do": "lamp", "frame": "05.jpg", "on": False}, seen=seen)
    assert session.sheet.frame("05.jpg").on
    assert session.seen("a") == 1
    assert session.seen("b") == 2
    session.gone("a")
    assert session.seen("b") == 1


def test_a_worksheet_changed_outside_is_never_written_over(session, run):
    edited = json.loads((run / "worksheet.json").read_text("utf-8"))
    edited["frames"][3]["gain_ev"] = -2.0
    (run / "worksheet.json").write_text(json.dumps(edited), "utf-8")
    change(session, **PAINT)
    session.keeper.save()
    assert session.keeper.conflict
    assert json.loads((run / "worksheet.json").read_text("utf-8")) == edited
    with pytest.raises(OutputError):
        session.merge()
    session.reload()
    assert not session.keeper.conflict
    assert session.sheet.frames[3].gain_ev == -2.0
    session.settle_now()
    change(session, do="lamp", frame="05.jpg", on=False)
    session.keeper.save()
    assert worksheet.load(run / "worksheet.json").frames[3].gain_ev == -2.0


def test_the_page_may_keep_what_it_shows(session, run):
    (run / "worksheet.json").write_text((run / "worksheet.json").read_text("utf-8") + "\n", "utf-8")
    change(session, do="lamp", frame="05.jpg", on=False)
    session.keeper.save()
    assert session.keeper.conflict
    session.overrule()
    session.keeper.save()
    assert not worksheet.load(run / "worksheet.json").frame("05.jpg").on


@pytest.mark.parametrize(
    "request_",
    [
        {},
        {"do": "format"},
        {"do": "paint", "frame": "nobody.jpg"},
        {"do": "paint", "frame": "04.jpg", "points": "no"},
        {**PAINT, "points": [[1]]},
        {**PAINT, "points": [["a", "b"]]},
        {**PAINT, "radius": True},
        {**PAINT, "points": [[9000, 9000]]},
        {"do": "lamp", "frame": "05.jpg"},
        {"do": "lamp", "frame": "05.jpg", "gain_ev": 99},
        {"do": "lamp", "frame": "05.jpg", "gain_ev": float("nan")},
        {"do": "lamp", "frame": "00.jpg", "gain_ev": 1},
        {"do": "lamp", "frame": "05.jpg", "gain_ev": 6},
        {"do": "finish", "finish": []},
        {"do": "finish", "finish": {"shine": 1}},
        {"do": "finish", "finish": {"crop": {"ratio": [0, 0]}}},
        {"do": "region", "frame": "05.jpg", "index": 999, "verdict": "keep"},
        {"do": "region", "frame": "05.jpg", "index": 0, "verdict": "perhaps"},
    ],
)
def test_bad_requests_change_nothing(untouched, request_):
    sheet, revision = untouched.sheet, untouched.revision
    with pytest.raises((InputError, WorksheetError)):
        untouched.change(request_, seen=revision)
    assert untouched.sheet is sheet
    assert untouched.revision == revision


def test_regions_are_judged_one_by_one(session):
    regions = view.state(session)["regions"]
    assert regions
    r = max(regions, key=lambda x: (x["box"][2] - x["box"][0]) * (x["box"][3] - x["box"][1]))
    name, (r0, c0, r1, c1) = r["frame"], r["box"]
    hidden = session.mask_in_reference(name)[r0:r1, c0:c1].copy()
    assert hidden.any()
    change(session, do="region", frame=name, index=r["index"], verdict="more")
    assert session.mask_in_reference(name)[r0:r1, c0:c1].sum(dtype=int) >= hidden.sum(dtype=int)
    change(session, do="region", frame=name, index=r["index"], verdict="show")
    assert not session.mask_in_reference(name)[r0:r1, c0:c1].any()
    change(session, do="undo")
    change(session, do="undo")
    assert np.array_equal(session.mask_in_reference(name)[r0:r1, c0:c1], hidden)
    change(session, do="region", frame=name, index=r["index"], verdict="keep")
    seen = {(x["frame"], x["index"]): x["seen"] for x in view.state(session)["regions"]}
    assert seen[name, r["index"]] == "keep"


def test_the_last_frame_stays_on(session):
    names = [r.file for r in session.sheet.frames]
    for name in names[1:]:
        change(session, do="lamp", frame=name, on=False)
    with pytest.raises(InputError):
        change(session, do="lamp", frame=names[0], on=False)


def test_half_deleted_runs_say_what_is_missing(run, tmp_path):
    with pytest.raises(WorksheetError, match="run folder is not there"):
        open_run(tmp_path / "nowhere")
    (run / "masks" / "03.png").unlink()
    (run / "composite.tif").unlink()
    opened = open_run(run)
    assert "03.jpg" in opened.notices[0]
    assert not opened.masks["03.jpg"].any()
    shutil.rmtree(run / "small")  # the frames are still there: found again
    assert open_run(run).small == (400, 600)
    text = (run / "worksheet.json").read_text("utf-8")
    (run / "worksheet.json").write_text(text.replace('"folder": "', '"folder": "../gone/'), "utf-8")
    with pytest.raises(WorksheetError, match="preview"):
        open_run(run)
    (run / "worksheet.json").write_text(text.replace('"format": 1', '"format": 99'), "utf-8")
    with pytest.raises(WorksheetError, match="newer"):
        open_run(run)
    (run / "worksheet.json").unlink()
    with pytest.raises(WorksheetError, match="not there"):
        open_run(run)


def test_a_disk_that_refuses_is_reported_and_nothing_is_lost(session, run, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    change(session, **PAINT)
    with monkeypatch.context() as m:
        m.setattr(runfolder, "write_sheet", full)
        session.keeper.save()
        assert "No space left" in session.keeper.failed
        assert not session.keeper.saved
    session.keeper.save()
    assert session.keeper.saved
    assert worksheet.load(run / "worksheet.json").frame("04.jpg").by_hand


def test_frames_are_decoded_while_somebody_looks_and_nothing_stays(run):
    session = Session(run)
    session.start()
    folder = run.with_name(f".{run.name}.lampwalk-frames")

    def kept():
        return [path for path in folder.glob("*") if path.suffix != ".part"]

    for _ in range(600):
        if len(kept()) == 10:
            break
        time.sleep(0.1)
    assert len(kept()) == 10
    session.close()
    assert not folder.exists()
