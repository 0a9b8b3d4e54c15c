"""The field sheet: complete, self-contained, safe with any title."""

from __future__ import annotations

import dataclasses
import re
import xml.etree.ElementTree as ElementTree
from html.parser import HTMLParser

import pytest

from lampwalk import planview
from lampwalk.fieldsheet import CAUTIONS, REMINDERS, as_html, as_markdown
from lampwalk.planning import Camera, Lamp, Plan, Subject, find_exposure, plan, read_setting

VOID = {"meta", "input", "br"}


def make(meter: str = "1/30 f/5.6 ISO 100", aperture: float = 5.6, sink: float = 2) -> Plan:
    return plan(
        find_exposure(read_setting(meter), aperture, sink),
        lamp=Lamp(guide_number_m=60, beam_deg=65, distance_m=4, recycle_s=1.5, flashes=250),
        subject=Subject(width_m=6, depth_m=2.2, height_m=1.8),
        camera=Camera(focal_mm=35, distance_m=9, angle_deg=20),
    )


class Page(HTMLParser):
    """Collects text, tags and attributes, and checks that tags nest."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.text = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data


def test_page_is_whole_and_nested() -> None:
    page = Page(as_html(make(), "Wooden boat"))
    assert page.open == []
    assert page.tags.count("svg") == 1
    assert page.tags.count("input") == len(make().positions) + 2 + len(REMINDERS)


def test_page_asks_nobody_for_anything() -> None:
    """No scripts, links, pictures or addresses but the name of the SVG namespace."""
    text = as_html(make())
    page = Page(text)
    assert not {"script", "link", "img", "iframe", "object", "image", "use"} & set(page.tags)
    assert not [name for name, _ in page.attributes if name in ("src", "href", "xlink:href", "action")]
    assert re.findall(r"https?://[^\"]*", text) == ["http://www.w3.org/2000/svg"]
    assert "url(" not in text
    assert "@import" not in text


@pytest.mark.parametrize("write", [as_html, as_markdown])
def test_both_forms_say_everything(write: object) -> None:
    """Settings, every position's place, reminders and cautions stand in both."""
    made = make()
    text = write(made)  # type: ignore[operator]
    plain = Page(text).text if text.startswith("<!") else text
    assert "1/125 s at f/5.6, ISO 100" in plain
    assert "power 1/8 + 0.3" in plain
    assert plain.count("from front, 1.5 m left of middle") == 1
    assert plain.count("ambient frame, lamp off") >= 2
    for line in (*REMINDERS, *CAUTIONS):
        assert line in plain


def test_falloff_by_hand() -> None:
    """From 4 m: 2 log2(4 / 6.2) = -1.26 over the depth, 2 log2(4 / 10) = -2.64 over the width."""
    assert "-1.3 stops over the depth, -2.6 over the width" in as_markdown(make())


def test_local_rules_come_first() -> None:
    assert CAUTIONS[0].startswith("Local rules, permits and licensed practice come first")


@pytest.mark.parametrize(
    "topic",
    [
        "Weight every stand",
        "wind limit",
        "counterweight",
        "beneath",
        "cable",
        "eyes",
        "animals",
        "hot",
        "tide",
        "road",
    ],
)
def test_cautions_cover_the_usual_dangers(topic: str) -> None:
    assert any(topic in line for line in CAUTIONS)


@pytest.mark.parametrize(
    "topic", ["Tripod locked", "focus", "white balance", "first and one last", "camera", "wind", "clean"]
)
def test_reminders_cover_what_a_merge_needs(topic: str) -> None:
    assert any(topic in line for line in REMINDERS)


def test_title_cannot_break_the_page() -> None:
    title = '</title><script>alert("1")</script> & <b>'
    page = Page(as_html(make(), title))
    assert "script" not in page.tags
    assert title in page.text
    assert as_markdown(make(), "two\nlines").startswith("# two lines\n")


def test_ways_are_compared_only_where_there_is_a_choice() -> None:
    assert "Ways to sink the daylight" not in as_html(make())
    text = Page(as_html(make("1/125 f/8 ISO 100", 4, 3))).text
    for words in (
        "high-speed sync",
        "neutral-density filter",
        "smaller aperture",
        "1/200 s f/18",
        "TOO WEAK",
    ):
        assert words in text


def test_drawing_shows_every_position_inside_its_frame() -> None:
    made = make()
    root = ElementTree.fromstring(planview.draw(made))
    left, top, width, height = (float(v) for v in root.attrib["viewBox"].split())
    svg = "{http://www.w3.org/2000/svg}"
    circles = root.findall(f"{svg}circle")
    assert len(circles) == len(made.positions)
    for circle, position in zip(circles, made.positions, strict=True):
        x, y = float(circle.attrib["cx"]), float(circle.attrib["cy"])
        assert (x, y) == (pytest.approx(100 * position.x_m, abs=1), pytest.approx(-100 * position.y_m, abs=1))
        assert left < x < left + width
        assert top < y < top + height
    numbers = [text.text for text in root.iter(f"{svg}text") if (text.text or "").isdigit()]
    assert numbers == [str(position.number) for position in made.positions]


def test_drawing_marks_heads_in_the_picture() -> None:
    made = make()
    root = ElementTree.fromstring(planview.draw(made))
    circles = root.findall("{http://www.w3.org/2000/svg}circle")
    red = {
        position.number
        for position, circle in zip(made.positions, circles, strict=True)
        if circle.attrib["fill"] == "#c0392b"
    }
    assert red == {position.number for position in made.positions if position.sees == "head"} == {4, 5}


def test_legs_column_advises_a_boom_where_the_legs_are_lit() -> None:
    made = make()
    wide = plan(
        made.exposure,
        lamp=dataclasses.replace(made.lamp, stand_spread_m=1.8),
        subject=made.subject,
        camera=made.camera,
    )
    assert "use a boom" not in as_markdown(made)
    assert "use a boom" in as_markdown(wide)


def test_positions_on_one_spot_share_a_mark() -> None:
    mast = plan(
        make().exposure,
        lamp=make().lamp,
        subject=Subject(width_m=1, depth_m=1, height_m=8),
        camera=Camera(focal_mm=24, distance_m=16),
    )
    root = ElementTree.fromstring(planview.draw(mast))
    spots = {(position.x_m, position.y_m) for position in mast.positions}
    assert len(root.findall("{http://www.w3.org/2000/svg}circle")) == len(spots) < len(mast.positions)
