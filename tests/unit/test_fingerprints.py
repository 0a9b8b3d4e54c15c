"""A repeated run merges only what has changed, and nobody can tell from the result."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import cv2
import imageio.v3 as iio
import numpy as np
import pytest
import tifffile

import lampwalk
from lampwalk import composite, encode, fill, fingerprints, lightsteps, merging, resampling, worksheet
from lampwalk.desk import Desk
from lampwalk.errors import OutputError, WorksheetError
from lampwalk.frames import Frame, as_series
from lampwalk.geometry import STRIP_ROWS, TILE_COLUMNS
from lampwalk.light import crop_field
from lampwalk.looking import hot_pixels_of
from lampwalk.review.opened import originals

RESULTS = (
    "composite.tif",
    "coverage.png",
    "picture.jpg",
    "worksheet.json",
    "contact_sheet.jpg",
    "small/fingerprints.json",
)


@pytest.fixture(scope="module")
def merged(small_scene, tmp_path_factory) -> Path:
    """A run of four frames of 1560x1040 pixels: five rows of four tiles."""
    folder = tmp_path_factory.mktemp("series") / "frames"
    folder.mkdir()
    for name in ("00", "01", "06", "07"):
        big = cv2.resize(iio.imread(small_scene / "frames" / f"{name}.jpg"), None, fx=2.6, fy=2.6)
        iio.imwrite(folder / f"{name}.jpg", big, quality=95)
    return lampwalk.merge_folder(folder, folder.parent / "run").folder


@pytest.fixture
def run(merged, tmp_path) -> Path:
    """A copy that a test may change, as far from its frames as the run itself."""
    shutil.copytree(merged.parent / "frames", tmp_path / "frames")
    return Path(shutil.copytree(merged, tmp_path / "run"))


@pytest.fixture
def windows(monkeypatch):
    """What each merge has merged: None for everything."""
    seen = []
    execute = composite.execute

    def watched(decisions, *, former=None, **told):
        seen.append(None if former is None else former.windows)
        return execute(decisions, former=former, **told)

    monkeypatch.setattr(merging, "execute", watched)
    return seen


def paint(run: Path, name: str, rows: slice, cols: slice, value: int) -> None:
    path = run / "masks" / f"{name}.png"
    mask = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    mask[rows, cols] = value
    cv2.imwrite(str(path), mask)


def edit(run: Path, name: str, **fields) -> None:
    path = run / "worksheet.json"
    sheet = json.loads(path.read_text("utf-8"))
    next(r for r in sheet["frames"] if r["file"] == name).update(fields)
    path.write_text(json.dumps(sheet), "utf-8")


def share(windows) -> float:
    return sum((r.stop - r.start) * (c.stop - c.start) for r, c in windows) / (1560 * 1040)


def merge_both_ways(run: Path) -> None:
    """Merge what has changed, and everything; both must give the same files."""
    whole = run.with_name("whole")
    shutil.copytree(run, whole)
    (whole / fingerprints.FILE).unlink()
    lampwalk.merge_worksheet(run / "worksheet.json", run)
    lampwalk.merge_worksheet(whole / "worksheet.json", whole)
    for name in RESULTS:
        assert (run / name).read_bytes() == (whole / name).read_bytes(), name
    shutil.rmtree(whole)


def test_where_nothing_has_changed_nothing_is_merged(run, merged, windows):
    merge_both_ways(run)
    assert windows == [(), None]
    assert (run / "composite.tif").read_bytes() == (merged / "composite.tif").read_bytes()


def test_a_painted_mask_is_merged_where_it_was_painted(run, merged, windows):
    before = tifffile.imread(run / "composite.tif")
    paint(run, "07", slice(150, 200), slice(1300, 1380), 255)
    merge_both_ways(run)
    assert windows[1] is None
    assert 0 < share(windows[0]) < 0.5
    for rows, cols in windows[0]:
        assert rows.start % STRIP_ROWS == 0
        assert cols.start % TILE_COLUMNS == 0
    changed = np.argwhere((tifffile.imread(run / "composite.tif") != before).any(axis=2))
    assert len(changed)
    inside = np.zeros(before.shape[:2], bool)
    for at in windows[0]:
        inside[at] = True
    assert inside[tuple(changed.T)].all()


@pytest.mark.parametrize("fields", [{"on": False}, {"gain_ev": -1.0, "warmth": 60.0}], ids=str)
def test_a_changed_lamp(run, fields, windows):
    edit(run, "06.jpg", **fields)
    merge_both_ways(run)
    assert windows[0] != ()


def test_a_frame_that_brings_no_light_there_need_not_be_decoded(run, monkeypatch):
    from lampwalk.shelf import Shelf

    decoded = []
    pixels = Shelf.pixels
    monkeypatch.setattr(Shelf, "pixels", lambda self, frame: decoded.append(frame.name) or pixels(self, frame))
    lampwalk.merge_worksheet(run / "worksheet.json", run)
    assert decoded == []


def test_a_finish_alone_needs_no_merge(run, windows):
    path = run / "worksheet.json"
    sheet = json.loads(path.read_text("utf-8")) | {"finish": {"burn": {"opacity": 0.5}}}
    path.write_text(json.dumps(sheet), "utf-8")
    before = (run / "picture.jpg").read_bytes()
    merge_both_ways(run)
    assert windows == [(), None]
    assert (run / "picture.jpg").read_bytes() != before


def test_a_composite_that_was_written_to_since_is_merged_anew(run):
    known = json.loads((run / fingerprints.FILE).read_text("utf-8"))
    assert fingerprints.still_holding(fingerprints.read_result(run), known).windows == ()
    pixels = tifffile.imread(run / "composite.tif")
    tifffile.imwrite(run / "composite.tif", np.full_like(pixels, 999), photometric="rgb")
    assert fingerprints.still_holding(fingerprints.read_result(run), known) is None


@pytest.mark.parametrize("name", ["composite.tif", "coverage.png", fingerprints.FILE])
def test_a_run_without_one_of_the_files_is_merged_anew(run, name):
    known = json.loads((run / fingerprints.FILE).read_text("utf-8"))
    (run / name).unlink()
    assert fingerprints.still_holding(fingerprints.read_result(run), known) is None


@pytest.mark.parametrize("text", ["", "{}", "[]", "[[1]]", "null", '[["a", "b"], ["c"]]'])
def test_a_damaged_record_is_merged_anew(run, text):
    known = json.loads((run / fingerprints.FILE).read_text("utf-8"))
    (run / fingerprints.FILE).write_text(text, "utf-8")
    assert fingerprints.still_holding(fingerprints.read_result(run), known) is None


def test_another_frame_of_the_same_name_is_merged_anew(run, windows):
    path = run.parent / "frames" / "06.jpg"
    iio.imwrite(path, iio.imread(path)[::-1], quality=95)
    lampwalk.merge_worksheet(run / "worksheet.json", run, changed_too=True)
    assert windows == [None]


def test_a_run_of_arrays_has_no_fingerprints(small_scene, tmp_path):
    arrays = [iio.imread(small_scene / "frames" / f"{name}.jpg") for name in ("00", "01", "06")]
    run = lampwalk.merge_folder(as_series(arrays), tmp_path / "run").folder
    assert (run / "composite.tif").is_file()
    assert not (run / fingerprints.FILE).exists()


def test_glow_is_taken_over_while_the_heads_are_the_same(run):
    sheet = worksheet.load(run / "worksheet.json")
    heads = sheet.merge["glow_fit"]["heads"]
    assert heads
    paint(run, next(iter(heads))[:2], slice(900, 1000), slice(20, 60), 255)
    lampwalk.merge_worksheet(run / "worksheet.json", run)
    assert worksheet.load(run / "worksheet.json").merge["glow_fit"] == sheet.merge["glow_fit"]
    name = next(iter(heads))
    paint(run, name[:2], slice(0, 1040), slice(0, 1560), 0)
    lampwalk.merge_worksheet(run / "worksheet.json", run)
    after = worksheet.load(run / "worksheet.json").merge.get("glow_fit", {"heads": {}})
    assert name not in after["heads"]


def test_a_glow_fit_that_cannot_be_read_is_named(run):
    path = run / "worksheet.json"
    sheet = json.loads(path.read_text("utf-8"))
    sheet["merge"]["glow_fit"]["kernel"] = [1, 2]
    path.write_text(json.dumps(sheet), "utf-8")
    with pytest.raises(WorksheetError, match=r"worksheet\.json: merge\.glow_fit"):
        lampwalk.merge_worksheet(path, run.with_name("other"))
    del sheet["merge"]["glow_fit"]
    path.write_text(json.dumps(sheet), "utf-8")
    lampwalk.merge_worksheet(path, run.with_name("other"))


@pytest.mark.parametrize("full", [(1040, 1560), (173, 260), (3000, 4000)])
def test_what_lies_further_from_a_window_than_its_surroundings_does_not_matter_in_it(full):
    rng = np.random.default_rng(5)
    values = rng.integers(0, 60000, (104, 156, 3), dtype=np.uint16)
    rows, cols = slice(full[0] // 4, full[0] // 3), slice(full[1] // 2, full[1] * 2 // 3)
    field = crop_field(values, full)
    strip, [across] = field.around(rows, [cols], 2)
    near = strip[:, across]
    far = values.copy()
    marked = np.zeros(values.shape[:2], bool)
    for top in range(104):
        for left in range(156):
            marked[top, left] = (values[top, left] == near).all(axis=-1).any()
    far[~marked] = 7
    other = crop_field(far, full)
    assert marked.mean() < 0.2
    assert np.array_equal(field.render(rows, cols), other.render(rows, cols))
    assert np.array_equal(field.pick(rows, cols), other.pick(rows, cols))


def test_frames_decoded_ahead_give_the_same_picture(run, monkeypatch):
    desk = Desk(run)
    sheet = worksheet.load(run / "worksheet.json")
    for frame in originals(run, sheet):
        assert desk.keep(frame, hot_pixels_of(sheet, frame.shape))
    whole = run.with_name("whole")
    shutil.copytree(run, whole)
    paint(run, "07", slice(150, 200), slice(1300, 1380), 255)
    paint(whole, "07", slice(150, 200), slice(1300, 1380), 255)
    lampwalk.merge_worksheet(whole / "worksheet.json", whole)
    decoded = []
    pixels = Frame.pixels
    monkeypatch.setattr(Frame, "pixels", lambda self, *a: decoded.append(self.name) or pixels(self, *a))
    merging.merge_worksheet(run / "worksheet.json", run, desk=desk)
    assert decoded == []
    for name in RESULTS:
        assert (run / name).read_bytes() == (whole / name).read_bytes(), name
    desk.clear()


def with_desk_and_without(run: Path, desk: Desk, tmp_path: Path, *, ahead: bool = False) -> None:
    """Merge by what a desk recalls or has done ahead, and with nothing known; both must give the same run folder."""
    bare = tmp_path / "bare"
    shutil.copytree(run, bare)
    (bare / fingerprints.FILE).unlink()
    if ahead:
        merging.merge_ahead(run / "worksheet.json", desk)
    merging.merge_worksheet(run / "worksheet.json", run, desk=desk)
    lampwalk.merge_worksheet(bare / "worksheet.json", bare)
    names = {path.relative_to(bare) for path in bare.rglob("*") if path.is_file()}
    assert names == {path.relative_to(run) for path in run.rglob("*") if path.is_file()}
    for name in names:
        assert (run / name).read_bytes() == (bare / name).read_bytes(), name
    shutil.rmtree(bare)


@pytest.mark.parametrize("rule", ["lighten", "sum"])
def test_what_a_desk_recalls_never_changes_a_correction(run, tmp_path, rule):
    path = run / "worksheet.json"
    sheet = json.loads(path.read_text("utf-8"))
    sheet["merge"]["rule"] = rule
    path.write_text(json.dumps(sheet), "utf-8")
    desk = Desk(run)
    with_desk_and_without(run, desk, tmp_path, ahead=True)
    paint(run, "07", slice(150, 400), slice(900, 1380), 255)
    with_desk_and_without(run, desk, tmp_path)
    paint(run, "06", slice(500, 700), slice(200, 500), 255)
    edit(run, "06.jpg", gain_ev=-0.7, warmth=-30.0)
    with_desk_and_without(run, desk, tmp_path, ahead=True)
    paint(run, "07", slice(150, 400), slice(900, 1380), 0)
    with_desk_and_without(run, desk, tmp_path)
    edit(run, "07.jpg", on=False)
    merging.merge_ahead(path, desk)  # and changed once more before it is merged
    edit(run, "06.jpg", gain_ev=-0.3)
    with_desk_and_without(run, desk, tmp_path)
    edit(run, "07.jpg", on=True)
    edit(run, "06.jpg", ambient_ev=0.2)
    with_desk_and_without(run, desk, tmp_path, ahead=True)
    sheet = json.loads(path.read_text("utf-8")) | {"finish": {"burn": {"opacity": 0.5}}}
    path.write_text(json.dumps(sheet), "utf-8")
    with_desk_and_without(run, desk, tmp_path, ahead=True)
    desk.clear()


def test_what_was_done_ahead_is_only_moved_into_place(run, monkeypatch, tmp_path):
    desk = Desk(run)
    paint(run, "07", slice(150, 400), slice(900, 1380), 255)
    bare, before = tmp_path / "bare", (run / "composite.tif").read_bytes()
    shutil.copytree(run, bare)
    merging.merge_ahead(run / "worksheet.json", desk)
    assert (run / "composite.tif").read_bytes() == before
    with monkeypatch.context() as m:
        m.setattr(composite, "add_strip", lambda *_: pytest.fail("merged once more"))
        for step in ("write_tiff", "write_windows", "write_jpeg"):
            m.setattr(encode, step, lambda *_, **__: pytest.fail("packed once more"))
        merging.merge_worksheet(run / "worksheet.json", run, desk=desk)
    lampwalk.merge_worksheet(bare / "worksheet.json", bare)
    for name in RESULTS:
        assert (run / name).read_bytes() == (bare / name).read_bytes(), name
    desk.clear()


def test_a_composite_that_is_kept_is_written_where_it_has_changed(run, monkeypatch, tmp_path):
    desk = Desk(run)
    merging.merge_ahead(run / "worksheet.json", desk)
    paint(run, "07", slice(150, 400), slice(900, 1380), 255)
    monkeypatch.setattr(encode, "write_tiff", lambda *_, **__: pytest.fail("written anew"))
    merging.merge_worksheet(run / "worksheet.json", run, desk=desk)
    monkeypatch.undo()
    with_desk_and_without(run, desk, tmp_path)
    desk.clear()


@pytest.mark.parametrize("step", ["deciding", "merging"])
def test_work_ahead_that_is_given_up_leaves_nothing_wrong_behind(run, tmp_path, step):
    desk = Desk(run)
    merging.merge_ahead(run / "worksheet.json", desk)
    paint(run, "07", slice(150, 400), slice(900, 1380), 255)

    def give_up(now, *_):
        if now == step:
            raise InterruptedError(now)

    with pytest.raises(InterruptedError, match=step):
        merging.merge_ahead(run / "worksheet.json", desk, progress=give_up)
    paint(run, "06", slice(500, 700), slice(200, 500), 255)
    with_desk_and_without(run, desk, tmp_path)
    desk.clear()


def test_where_only_a_fill_changes_the_frames_are_not_merged_anew(run, tmp_path, monkeypatch):
    desk, refilled, merged = Desk(run), [], []
    merging.merge_ahead(run / "worksheet.json", desk)
    taken_out, stacked = composite._taken_out, composite.stacked
    monkeypatch.setattr(composite, "_taken_out", lambda *a: refilled.append(a[-1]) or taken_out(*a))
    monkeypatch.setattr(composite, "stacked", lambda d, w, **k: merged.append(w) or stacked(d, w, **k))
    mask = cv2.imread(str(run / "masks" / "07.png"), cv2.IMREAD_UNCHANGED)
    x, y, w, _ = cv2.boundingRect(mask)
    for grown in (10, 20, 30):  # at the head of a stand that reaches down over several rows of tiles
        paint(run, "07", slice(max(0, y - grown), y + 20), slice(max(0, x - grown), x + w + grown), 255)
        with_desk_and_without(run, desk, tmp_path)
        windows = merged[-2]  # of the desk; the other knows nothing
        assert windows is not None
        assert refilled
        assert not {(r.start, c.start) for r, c in refilled} & {(r.start, c.start) for r, c in windows}
        refilled.clear()
    desk.clear()


def test_what_was_done_ahead_is_not_done_again(run, monkeypatch):
    desk, made = Desk(run), []
    digests = "_of_light", "_of_fill", "_of_mask"
    for module, name in (
        (lightsteps, "_levelled"),
        (fill.Behind, "ratio"),
        *((fingerprints, digest) for digest in digests),
    ):
        step = getattr(module, name)
        monkeypatch.setattr(module, name, lambda *a, n=name, s=step, **k: made.append(n) or s(*a, **k))
    before = (run / "composite.tif").read_bytes()
    merging.merge_ahead(run / "worksheet.json", desk)
    assert made.count("_levelled") == 1
    assert made.count("ratio") >= 1
    assert [made.count(digest) for digest in digests] == [4, 4, 4]
    made.clear()
    merging.merge_worksheet(run / "worksheet.json", run, desk=desk)
    assert made == []
    assert (run / "composite.tif").read_bytes() == before
    paint(run, "07", slice(150, 200), slice(1300, 1380), 255)
    merging.merge_worksheet(run / "worksheet.json", run, desk=desk)
    assert "_levelled" not in made
    assert made.count("_of_mask") == 1
    assert made.count("_of_light") < 4
    desk.clear()


def test_a_merge_that_fails_leaves_nothing_wrong_behind(run, tmp_path, monkeypatch):
    desk = Desk(run)
    merging.merge_worksheet(run / "worksheet.json", run, desk=desk)
    assert desk.result is not None
    paint(run, "07", slice(150, 400), slice(900, 1380), 255)

    def full(*_, **__):
        raise OutputError("cannot be written: No space left on device", remedy="make room")

    with monkeypatch.context() as m:
        m.setattr("lampwalk.encode.write_jpeg", full)
        with pytest.raises(OutputError, match="No space left"):
            merging.merge_worksheet(run / "worksheet.json", run, desk=desk)
    paint(run, "07", slice(150, 400), slice(900, 1380), 0)
    with_desk_and_without(run, desk, tmp_path)
    desk.clear()


def test_a_result_that_was_written_to_since_is_not_recalled(run, windows):
    desk = Desk(run)
    for _ in range(2):
        merging.merge_worksheet(run / "worksheet.json", run, desk=desk)
    assert windows == [(), ()]
    path = run / "composite.tif"
    path.write_bytes(path.read_bytes()[:-100] + bytes(100))
    merging.merge_worksheet(run / "worksheet.json", run, desk=desk)
    assert windows[2] is None
    desk.clear()


@pytest.mark.parametrize("harm", ["delete", "cut"])
def test_small_pictures_that_are_lost_meanwhile_are_found_again(run, tmp_path, harm):
    desk = Desk(run)
    merging.merge_worksheet(run / "worksheet.json", run, desk=desk)
    lost = run / "small" / "06.jpg.tif"
    data = lost.read_bytes()
    lost.unlink()
    if harm == "cut":
        lost.write_bytes(data[:1000])
    merging.merge_worksheet(run / "worksheet.json", run, desk=desk)
    assert lost.read_bytes() == data
    desk.clear()


def test_frames_moved_ahead_give_the_same_picture(run, monkeypatch, tmp_path):
    desk = Desk(run)
    sheet = worksheet.load(run / "worksheet.json")
    frames = originals(run, sheet)
    places = [sheet.frame(frame.name).homography for frame in frames]
    assert desk.fits(frames, places)
    for frame, place in zip(frames, places, strict=True):
        assert desk.keep(frame, hot_pixels_of(sheet, frame.shape), place)
    monkeypatch.setattr(resampling, "_cubic", lambda *_: pytest.fail("moved once more"))
    paint(run, "07", slice(150, 400), slice(900, 1380), 255)
    bare = tmp_path / "bare"
    shutil.copytree(run, bare)
    merging.merge_worksheet(run / "worksheet.json", run, desk=desk)
    monkeypatch.undo()
    lampwalk.merge_worksheet(bare / "worksheet.json", bare)
    for name in RESULTS:
        assert (run / name).read_bytes() == (bare / name).read_bytes(), name
    desk.clear()
