"""The review page in a real browser: open, zoom, paint, undo, change a lamp, save, reload, merge."""

from __future__ import annotations

import json
import shutil

import numpy as np
import pytest
import tifffile

import lampwalk
from lampwalk import runfolder, worksheet
from lampwalk.review import write_page

PLACE = (260, 210)
"""In the small scene: on the boat, preview pixels."""


def test_it_shows_the_result_and_every_frame(opened):
    page = opened()
    page.ready()
    assert page.page.title() == "run – lampwalk review"
    assert page.page.locator(".slide").count() == 10
    assert page.page.locator("#caption").inner_text() == "result"
    bright = page.brightness()
    page.page.keyboard.down("d")
    page.until("document.body.dataset.shown.startsWith('day')")
    assert page.brightness() < bright / 1.2  # before the walk it is darker
    page.page.keyboard.up("d")
    page.until("document.body.dataset.shown.startsWith('result')")
    assert page.brightness() == pytest.approx(bright, rel=0.01)
    for key, view in (("f", "frame"), ("l", "light"), ("c", "coverage"), ("r", "result")):
        page.page.keyboard.press(key)
        page.until(f"document.body.dataset.shown.startsWith('{view}')")
    page.page.keyboard.press("c")
    page.until("document.body.dataset.shown.startsWith('coverage')")
    assert page.page.locator("#legend li").count() > 5


def test_zoom_and_pan_by_wheel_and_keys(opened):
    page = opened()
    x, y = page.at(*PLACE)
    before = page.get("app.viewer.scale")
    page.page.mouse.move(x, y)
    page.page.mouse.wheel(0, -300)
    page.idle()
    assert page.get("app.viewer.scale") > before
    assert page.at(*PLACE) == (
        pytest.approx(x, abs=1),
        pytest.approx(y, abs=1),
    )  # what is under the pointer stays
    page.page.keyboard.press("1")
    assert page.get("app.viewer.percent") == pytest.approx(100)
    assert page.page.locator("#zoom").inner_text() == "100 %"
    left = page.at(0, 0)[0]
    page.page.locator("#picture").focus()
    page.page.keyboard.press("ArrowRight")
    assert page.at(0, 0)[0] < left
    left = page.at(0, 0)[0]
    page.drag((100, 100), (130, 120))
    assert page.at(0, 0)[0] > left
    page.page.keyboard.press("0")
    assert page.get("app.viewer.fitted")


def test_paint_undo_redo_and_reload(opened, run):
    page = opened()
    page.ready()
    start = runfolder.read_mask(run / "masks" / "05.png")
    page.page.locator('.slide[data-file="05.jpg"]').click()
    page.page.click("#tab-hide")
    page.idle()
    page.page.locator('.slide[data-file="05.jpg"]').click()
    page.page.keyboard.press("0")
    page.drag(PLACE, (300, 220), (320, 260))
    page.saved()
    painted = runfolder.read_mask(run / "masks" / "05.png")
    assert (painted > start).sum() > 300
    assert worksheet.load(run / "worksheet.json").frame("05.jpg").by_hand
    page.page.keyboard.press("Control+z")
    page.saved()
    assert np.array_equal(runfolder.read_mask(run / "masks" / "05.png"), start)
    page.page.keyboard.press("Control+Shift+z")
    page.saved()
    assert np.array_equal(runfolder.read_mask(run / "masks" / "05.png"), painted)
    page.page.reload()
    page.until("document.body.dataset.shown !== undefined")
    assert page.get("app.state.undo") == "paint 05.jpg"
    page.page.click("#undo")
    page.saved()
    assert np.array_equal(runfolder.read_mask(run / "masks" / "05.png"), start)


def test_erase_and_straight_line(opened, run):
    page = opened()
    page.ready()
    page.page.click("#tab-hide")
    page.idle()
    file = page.get("app.chosen")
    name = f"{file[:-4]}.png"
    page.page.keyboard.press("0")
    page.page.keyboard.down("Shift")
    page.drag((100, 150), (180, 190), (100, 350))  # the way between does not count
    page.page.keyboard.up("Shift")
    page.saved()
    mask = runfolder.read_mask(run / "masks" / name)
    assert (mask[160:340, 96:104] > 200).mean() > 0.9
    page.page.keyboard.press("e")
    assert page.page.locator("#brush-show").get_attribute("aria-pressed") == "true"
    page.drag((100, 150), (100, 350))
    page.saved()
    assert runfolder.read_mask(run / "masks" / name)[160:340, 98:103].max() < 60


def test_the_result_changes_where_it_was_painted(opened):
    page = opened()
    page.ready()
    page.page.locator('.slide[data-file="06.jpg"]').click()
    page.page.click("#tab-hide")
    page.page.locator('.slide[data-file="06.jpg"]').click()
    page.page.keyboard.press("0")
    page.idle()
    read = """Array.from(globalThis.lampwalkReview.result.getContext("2d").getImageData(0, 0, 600, 400).data)"""
    before = np.array(page.page.evaluate(read)).reshape(400, 600, 4)[..., :3]
    page.page.fill("#brush-size", "30")
    page.drag((300, 300), (340, 310))
    after = np.array(page.page.evaluate(read)).reshape(400, 600, 4)[..., :3]
    changed = (np.abs(after - before) > 1).any(axis=2)
    assert changed[265:345, 265:375].any()
    changed[255:355, 255:385] = False
    assert not changed.any()


def test_by_keyboard_alone(opened, run):
    """Tab to the step, choose a frame, move the brush, paint, take it back."""
    page = opened()
    page.ready()
    keys = page.page.keyboard
    for _ in range(60):
        keys.press("Tab")
        if page.page.evaluate("document.activeElement.id") == "tab-look":
            break
    else:
        pytest.fail("the steps cannot be reached with Tab")
    keys.press("ArrowRight")
    assert page.page.evaluate("document.activeElement.id") == "tab-hide"
    page.idle()
    keys.press("s")
    file = page.get("app.chosen")
    page.page.locator("#picture").focus()
    before = runfolder.read_mask(run / "masks" / f"{file[:-4]}.png")
    for _ in range(5):
        keys.press("Shift+ArrowDown")
    keys.press("Enter")
    page.saved()
    for _ in range(5):
        keys.press("Shift+ArrowRight")
    keys.press("Shift+Enter")
    page.saved()
    painted = runfolder.read_mask(run / "masks" / f"{file[:-4]}.png")
    assert (painted > before).sum() > 300
    keys.press("Control+z")
    page.idle()
    keys.press("Control+z")
    page.saved()
    assert np.array_equal(runfolder.read_mask(run / "masks" / f"{file[:-4]}.png"), before)


def test_lamps_off_stops_and_warmth(opened, run):
    page = opened()
    page.ready()
    page.page.locator('.slide[data-file="07.jpg"]').click()
    page.page.click("#tab-lamps")
    page.idle()
    bright = page.brightness()
    page.page.click("#lamp-on")
    page.saved()
    for _ in range(20):  # the new picture may still be on its way
        if page.brightness() < bright:
            break
    assert page.brightness() < bright
    assert "off" in page.page.locator('.slide[data-file="07.jpg"]').inner_text()
    page.page.click("#lamp-on")
    page.idle()
    page.page.locator("#lamp-ev").focus()
    for _ in range(10):
        page.page.keyboard.press("ArrowLeft")
    page.idle()
    page.page.fill("#lamp-warmth", "50")
    page.saved()
    record = worksheet.load(run / "worksheet.json").frame("07.jpg")
    assert (record.on, record.gain_ev, record.warmth) == (True, pytest.approx(-1.0), 50.0)
    page.page.click("#undo")
    page.idle()
    page.page.click("#undo")  # ten presses of one key are one change
    page.saved()
    record = worksheet.load(run / "worksheet.json").frame("07.jpg")
    assert (record.gain_ev, record.warmth) == (0, 0)


def test_a_change_that_cannot_be_is_said(opened):
    page = opened()
    page.ready()
    page.get("app.change({ do: 'lamp', frame: '05.jpg', gain_ev: 6 })")
    page.idle()
    assert "burn out" in page.page.locator("#notice").inner_text()
    page.trouble.clear()  # the browser itself remarks on the answer 422


def test_regions_one_by_one(opened, run):
    page = opened()
    page.ready()
    page.page.click("#tab-hide")
    count = page.get("app.state.regions.length")
    assert count > 0
    page.page.keyboard.press("n")
    page.idle()
    assert not page.get("app.viewer.fitted")  # zoomed to it
    first = page.page.locator("#region-about").inner_text()
    r = page.get("app.parts.hide.regions()[app.parts.hide.current]")
    page.page.keyboard.press("j")
    page.saved()
    page.until("globalThis.lampwalkReview.state.regions.filter((x) => x.seen).length === 1")
    assert count == 1 or page.page.locator("#region-about").inner_text() != first
    record = worksheet.load(run / "worksheet.json").frame(r["frame"])
    assert record.notes["hidden"][r["index"]]["seen"] == "show"
    assert record.by_hand


def test_finish_lift_burn_and_crop(opened, run):
    page = opened()
    page.ready()
    page.page.click("#tab-finish")
    for part in ("lift", "burn", "crop"):
        page.page.click(f'[data-part="{part}"]')
        page.page.check("#part-on")
        page.saved()
    page.page.select_option("#part-controls select", "16:9")
    page.saved()
    told = worksheet.load(run / "worksheet.json").finish
    assert told["crop"]["ratio"] == [16, 9]
    assert set(told) == {"lift", "burn", "crop"}
    r0, c0, r1, c1 = page.get("app.state.crop_box")
    assert (c1 - c0) / (r1 - r0) == pytest.approx(16 / 9, rel=0.01)
    page.page.fill('[data-name="scale"]', "0.6")
    page.saved()
    box = page.get("app.state.crop_box")
    page.drag(((box[1] + box[3]) / 2, (box[0] + box[2]) / 2), (250, 150))
    page.saved()
    assert page.get("app.state.crop_box") != box
    page.page.click('[data-part="lift"]')
    x, y = worksheet.load(run / "worksheet.json").finish["lift"][0]["region"]["ellipse"][:2]
    page.drag((x * 600, y * 400), (x * 600 - 60, y * 400 - 20))
    page.saved()
    moved = worksheet.load(run / "worksheet.json").finish["lift"][0]["region"]["ellipse"]
    assert moved[0] == pytest.approx(x - 0.1, abs=0.02)


def test_two_pages_know_of_each_other(opened):
    first, second = opened(), opened()
    first.ready()
    second.ready()
    first.until("document.getElementById('notice').innerText.includes('2 pages')")
    first.get("app.change({ do: 'lamp', frame: '05.jpg', on: false })")
    first.idle()
    second.until("globalThis.lampwalkReview.state.frames[5].on === false")
    assert "off" in second.page.locator('.slide[data-file="05.jpg"]').inner_text()


def test_a_worksheet_changed_outside_is_asked_about(opened, run):
    page = opened()
    page.ready()
    data = json.loads((run / "worksheet.json").read_text("utf-8"))
    data["frames"][4]["on"] = False
    (run / "worksheet.json").write_text(json.dumps(data), "utf-8")
    page.get("app.change({ do: 'lamp', frame: '05.jpg', on: false })")
    page.until("globalThis.lampwalkReview.state.conflict")
    page.page.get_by_role("button", name="Take the worksheet from the disk").click()
    page.until("!globalThis.lampwalkReview.state.conflict")
    assert page.get("app.state.frames.map((f) => f.on)")[4:6] == [False, True]


def test_what_was_done_is_what_a_script_gives(opened, run, tmp_path):
    """Paint, turn a lamp off, save; merge from the worksheet, then by the page itself: the same bytes."""
    page = opened()
    page.ready()
    page.page.click("#tab-hide")
    page.page.keyboard.press("0")
    page.drag(PLACE, (300, 240))
    page.get("app.change({ do: 'lamp', frame: '08.jpg', on: false })")
    page.saved()
    again = lampwalk.merge_worksheet(run / "worksheet.json", tmp_path / "again").folder
    page.page.click("#tab-deliver")
    assert not page.get("app.state.merged")
    page.page.click("#merge")
    page.until("globalThis.lampwalkReview.state.merged && !globalThis.lampwalkReview.state.job.step")
    assert "up to date" in page.page.locator("#merge-about").inner_text()
    merged = tifffile.imread(run / "composite.tif")
    assert np.array_equal(merged, tifffile.imread(again / "composite.tif"))
    shown = page.get("Array.from(app.result.getContext('2d').getImageData(0, 0, 600, 400).data)")
    apart = np.abs(np.array(shown).reshape(400, 600, 4)[..., :3] - merged / 257)
    assert apart.mean() < 2.5  # levels of 8 bits: the page shows a JPEG file


@pytest.mark.parametrize("size", [(1280, 800), (390, 844)])
def test_everything_has_a_name_and_enough_contrast(opened, size):
    """WCAG 2.2, 4.1.2 (name) and 1.4.3 (contrast 4.5:1, relative luminance as defined there)."""
    page = opened(viewport={"width": size[0], "height": size[1]})
    page.ready()
    for step in ("look", "hide", "lamps", "finish", "deliver"):
        page.page.click(f"#tab-{step}")
        if step == "finish":
            page.page.check("#part-on")
        page.idle()
        nameless, faint, count = page.page.evaluate(AUDIT)
        assert count > 15
        assert nameless == []
        assert faint == []
        assert page.page.evaluate("document.documentElement.scrollWidth <= innerWidth")


AUDIT = r"""() => {
  const light = ([r, g, b]) => {
    const f = (v) => (v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
    return 0.2126 * f(r) + 0.7152 * f(g) + 0.0722 * f(b);
  };
  const parse = (c) => c.match(/[\d.]+/g).map(Number);
  const below = (e) => {
    for (; e; e = e.parentElement) {
      const c = parse(getComputedStyle(e).backgroundColor);
      if (c.length < 4 || c[3] > 0.79) return c;
    }
    return [255, 255, 255];
  };
  const kinds = "button, input, select, a, output, p, li, label, legend, h1, span";
  const seen = [...document.querySelectorAll(kinds)].filter(
    (e) => e.checkVisibility() && e.getClientRects().length && !e.closest(".hidden"));
  const controls = seen.filter((e) => e.matches("button, input, select, a"));
  const named = (e) => e.ariaLabel || e.innerText?.trim() || e.labels?.[0]?.innerText.trim();
  const says = (e) => [...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim());
  const contrast = (e) => {
    const [a, b] = [light(parse(getComputedStyle(e).color)), light(below(e))];
    return (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
  };
  const faint = seen.filter((e) => says(e) && !e.closest(":disabled") && contrast(e) < 4.5);
  const show = (e) => e.outerHTML.slice(0, 120);
  return [controls.filter((e) => !named(e)).map(show), faint.map(show), controls.length];
}"""


def test_fingers_paint_and_pinch(opened, run):
    page = opened(viewport={"width": 390, "height": 844}, has_touch=True, device_scale_factor=2)
    page.ready()
    page.page.click("#tab-hide")
    page.page.click("#fit")
    page.idle()
    touch = page.page.context.new_cdp_session(page.page)

    def fingers(kind, *points):
        places = [page.at(*p) for p in points]
        touch.send(
            "Input.dispatchTouchEvent",
            {"type": kind, "touchPoints": [{"x": x, "y": y, "id": i} for i, (x, y) in enumerate(places)]},
        )

    name = f"{page.get('app.chosen')[:-4]}.png"
    before = runfolder.read_mask(run / "masks" / name)
    fingers("touchStart", (200, 200))
    fingers("touchMove", (260, 220))
    fingers("touchEnd")
    page.saved()
    painted = runfolder.read_mask(run / "masks" / name)
    assert (painted > before).sum() > 300
    scale = page.get("app.viewer.scale")
    fingers("touchStart", (250, 200))
    fingers("touchStart", (250, 200), (350, 200))
    fingers("touchMove", (200, 200), (400, 200))
    fingers("touchEnd")
    page.idle()
    assert page.get("app.viewer.scale") > 1.5 * scale
    page.saved()
    assert np.array_equal(runfolder.read_mask(run / "masks" / name), painted)  # a pinch paints nothing


def test_names_from_the_disk_stay_text(open_run_page, small_scene, tmp_path):
    evil = "<img src=x onerror=document.title='gone'>.jpg"
    frames = tmp_path / "frames"
    frames.mkdir()
    for source, name in zip(sorted((small_scene / "frames").glob("*.jpg")), ["a.jpg", evil, "c.jpg"], strict=False):
        shutil.copy(source, frames / name)
    lampwalk.merge_folder(frames, tmp_path / "run")
    page = open_run_page(tmp_path / "run")
    page.ready()
    assert page.page.locator(f'.slide[data-file="{evil}"]').count() == 1
    assert page.page.locator("main img, nav img[src=x]").count() == 0
    assert "gone" not in page.page.title()
    page.page.locator(f'.slide[data-file="{evil}"]').click()
    page.page.keyboard.press("f")
    page.until("document.body.dataset.shown.startsWith('frame')")
    assert evil in page.page.locator("#caption").inner_text()


def test_the_exported_page_works_without_a_network(browser, small_run, tmp_path):
    write_page(small_run.folder, tmp_path / "page.html")
    context = browser.new_context(offline=True)
    page = context.new_page()
    trouble, asked = [], []
    page.on("console", lambda m: trouble.append(m.text))
    page.on("pageerror", lambda e: trouble.append(str(e)))
    page.on("request", lambda r: asked.append(r.url))
    page.goto((tmp_path / "page.html").as_uri())
    for key, view in (("f", "frame"), ("l", "light"), ("c", "coverage"), ("r", "result")):
        page.keyboard.press(key)
        page.wait_for_selector(f'body[data-shown="{view}"]')
    page.keyboard.down("b")
    page.wait_for_selector('body[data-shown="unhidden"]')
    page.keyboard.up("b")
    assert page.locator(".slide").count() == 10
    context.close()
    assert trouble == []
    assert [url for url in asked if not url.startswith(("file:", "data:"))] == []
