"""Pass 1: everything that is decided about a series, on small versions of its frames."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import alignment, ambient, geometry, glow, lightsteps, memory, parallel, records, regions, rules
from .alignment import Alignment, Sighting
from .ambient import Level
from .comparing import Comparing
from .drawer import IN_MEMORY, Drawer
from .errors import Finding, SeriesError
from .frames import Frame, Series, working_pixels
from .fullmask import FullMask
from .light import Field, waiting
from .looking import HandOn, Keep, Known, Looker, Progress
from .offer import Offer
from .previews import Preview, align_preview
from .recall import Recall, anew
from .shelf import Shelf
from .worksheet import Lamp, Worksheet

FIELD_BYTES = 20_000_000
"""Fields of the frames that are kept in memory through the second pass, bytes: those of some 6 frames."""

MAX_FRAMES = 254
"""Frames of one series: the coverage map is 8-bit, 0 and 255 are taken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Choices:
    """What a caller may choose; everything has a default that needs no thought.

    Attributes
    ----------
    rule : str
        How a pixel is chosen: see `rules`.
    quiet : bool
        A frame takes no part where its lamp adds no light, so that the result is not the noisiest of all frames there.
    hide : bool
        Find and hide equipment.
    glow, fill : bool
        Take off stray light round visible heads; put light back behind the masks.
    level : bool
        Even out the daylight.
    hot_pixels : bool
        Find constant bright points of the sensor and take them out (files only, never arrays).
    """

    rule: str = "lighten"
    quiet: bool = True
    hide: bool = True
    glow: bool = True
    fill: bool = True
    level: bool = True
    hot_pixels: bool = True


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Given:
    """What has been decided before, by a person or by an earlier run.

    Attributes
    ----------
    masks : mapping of frame name to FullMask
        They replace the found ones exactly.
    lamps : mapping of frame name to Lamp
        Lamps turned off, changed in stops or warmth.
    sheet : Worksheet or None
        Decisions to repeat: roles, alignment and levels are taken from it, nothing is looked for.
    small : callable
        The frames at preview size, as far as they are known from the run that is repeated, ...
    hand_on : callable
        ... of which those that are not needed are only handed on.
    contents : mapping of frame name to str
        Digest of each frame's file, ...
    recall : Recall
        ... by which is recalled what was made of it.
    """

    masks: Mapping[str, FullMask] = field(default_factory=dict)
    lamps: Mapping[str, Lamp] = field(default_factory=dict)
    sheet: Worksheet | None = None
    small: Known = lambda _: None
    hand_on: HandOn = lambda _: False
    contents: Mapping[str, str] = field(default_factory=dict)
    recall: Recall = anew


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Decision:
    """What is done with one frame at full size.

    Attributes
    ----------
    frame : Frame
    role : str
        ``ambient`` or ``lamp``.
    alignment : Alignment
    level : Level or None
    hidden : FullMask or None
        What of the frame is hidden.
    found : tuple of Region, or None
        Why; None where it was given by hand.
    lamp : Lamp
        How the photographer changed its light.
    by_hand : bool
        The mask is a person's.
    gain, glow, reach, fill : Field or None
        Small fields in the reference's geometry: gain (`light.gain_field`), stray light (`light.stray_field`), 255
        where the frame takes part, fill ratio (`light.gain_field`).
    fill_share : float
        Share of the picture that the fill brightens visibly, 0-1.
    """

    frame: Frame
    role: str
    alignment: Alignment
    level: Level | None = None
    hidden: FullMask | None = None
    found: tuple[regions.Region, ...] | None = None
    lamp: Lamp = field(default_factory=Lamp)
    by_hand: bool = False
    gain: Field | None = None
    glow: Field | None = None
    reach: Field | None = None
    fill: Field | None = None
    fill_share: float = 0.0

    @property
    def frame_to_reference(self) -> geometry.Matrix:
        """Homography of the frame, full-size pixels."""
        assert self.alignment.frame_to_reference is not None
        return self.alignment.frame_to_reference

    def in_hand(self) -> Decision:
        """The same with its fields in memory, for work strip by strip."""
        return replace(
            self,
            hidden=None if self.hidden is None else self.hidden.waiting(IN_MEMORY),
            gain=waiting(self.gain, IN_MEMORY),
            glow=waiting(self.glow, IN_MEMORY),
            reach=waiting(self.reach, IN_MEMORY),
        )


Hid = Callable[[Decision], object]
"""Called with what is decided about a frame so far; its mask stays as it is."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Decisions:
    """Everything that pass 2 needs.

    Attributes
    ----------
    series : Series
    reference : str
        Name of the frame whose geometry the result has.
    frames : tuple of Decision
        The frames that take part, in shooting order.
    left_out : tuple of (name, why)
    choices : Choices
    hot_pixels : (n, 2) int
        Row and column of constant bright points of the sensor, taken out of every frame before the warp.
    glow_fit : glow.Fit or None
        What the glow of all frames, in their order, was made of.
    offer : Offer
    findings : tuple of Finding
    """

    series: Series
    reference: str
    frames: tuple[Decision, ...]
    left_out: tuple[tuple[str, str], ...]
    choices: Choices
    hot_pixels: NDArray[np.intp]
    glow_fit: glow.Fit | None
    offer: Offer
    findings: tuple[Finding, ...]


def decide(
    series: Series,
    *,
    choices: Choices = Choices(),
    given: Given = Given(),
    keep: Keep | None = None,
    hid: Hid = lambda _: None,
    shelf: Shelf | None = None,
    threads: int = 2,
    progress: Progress | None = None,
) -> Decisions:
    """Decide everything about a series; nothing full-size is kept.

    Parameters
    ----------
    series : Series
    choices : Choices
    given : Given
        What is already decided.
    keep : callable, optional
        Gets every frame at preview size as it is made.
    hid : callable
        Gets every frame that takes part, once it is known what of it is hidden.
    shelf : Shelf, optional
        Keeps the decoded frames for the second pass.
    threads : int
    progress : callable, optional

    Raises
    ------
    SeriesError
        Fewer than two frames could be aligned, or too many frames.
    """
    if len(series) > MAX_FRAMES:
        raise SeriesError(f"{len(series)} frames in one series", remedy=f"merge at most {MAX_FRAMES} at a time")
    shelf = shelf or Shelf()
    fields = shelf.drawer(FIELD_BYTES)
    with parallel.limited(threads):
        found = _decide(series, Looker(series, keep, shelf, progress), fields, choices=choices, given=given, hid=hid)
    memory.give_back_freed()
    return found


def _decide(series: Series, looker: Looker, fields: Drawer, *, choices: Choices, given: Given, hid: Hid) -> Decisions:
    sheet = given.sheet
    previews: list[Preview] = []
    if sheet is None:
        series, previews, lit_by_day, alignments = _aligned(series, looker)
    else:
        lit_by_day, alignments = records.roles_and_alignments(series, sheet)
        if given.recall is not anew and not all(parallel.each(given.hand_on, series.frames)):
            given = replace(given, recall=anew)  # every frame must be looked at, whatever else is known of it
    used = [i for i, found in enumerate(alignments) if found.verdict != "refused"]
    left_out = [(series.frames[i].name, found.reason) for i, found in enumerate(alignments) if i not in used]
    if len(used) < 2:
        raise SeriesError(
            "no two frames can be brought into line",
            remedy="check that all frames were taken from one tripod position with one focal length",
        )
    if rules.get(choices.rule).needs_ambient and not any(lit_by_day[i] for i in used):
        raise SeriesError(f"the rule {choices.rule} needs a frame without flash", remedy="use the rule lighten")
    frames = [
        Decision(
            frame=series.frames[i],
            role="ambient" if lit_by_day[i] else "lamp",
            alignment=alignments[i],
            lamp=given.lamps.get(series.frames[i].name, Lamp()),
            by_hand=series.frames[i].name in given.masks and sheet is None,
        )
        for i in used
    ]
    reference = next(d.frame.name for d in frames if geometry.is_identity(d.frame_to_reference))

    def small() -> list[Preview]:
        own = dict(enumerate(previews or looker.look(observe=False, known=given.small)[1]))
        previews.clear()  # each is let go of as soon as it is aligned
        return parallel.each(lambda i: align_preview(own.pop(i), alignments[i].frame_to_reference), used)  # type: ignore[arg-type]

    frames, glow_fit, offer, remarks = lightsteps.decided(
        frames, small, reference, fields, choices=choices, given=given, hid=hid
    )
    looker.tell("deciding", 1)
    return Decisions(
        series=series,
        reference=reference,
        frames=tuple(frames),
        left_out=(*series.left_out, *left_out),
        choices=choices,
        hot_pixels=looker.hot_pixels(given.sheet) if choices.hot_pixels else np.zeros((0, 2), np.intp),
        glow_fit=glow_fit,
        offer=offer,
        findings=(*_findings(series, frames, left_out), *remarks),
    )


def _aligned(series: Series, looker: Looker) -> tuple[Series, list[Preview], tuple[bool, ...], tuple[Alignment, ...]]:
    """Look at all frames, and align them to the first ambient one; where there is none, to the best-connected frame."""
    first = series.frames[0]
    with parallel.aside() as aside:
        comparing = Comparing(aside)

        def saw(frame: Frame, preview: Preview, sighting: Sighting) -> None:
            comparing.saw(preview, sighting, lambda: _pixels(frame), first=frame is first)

        series, previews, sightings = looker.look(observe=True, saw=saw)
        lit_by_day = ambient.find_ambient(previews)
        reference = next((i for i, by_day in enumerate(lit_by_day) if by_day), None)
        alignments = alignment.solve(
            sightings, reference=reference, pixels=lambda i: _pixels(series.frames[i]), comparing=comparing
        )
    return series, previews, lit_by_day, alignments


def _pixels(frame: Frame) -> NDArray[Any]:
    return working_pixels(frame, frame.pixels())


def _findings(series: Series, frames: Sequence[Decision], left_out: Sequence[tuple[str, str]]) -> tuple[Finding, ...]:
    found = list(series.findings)
    found += [
        Finding(code="not-aligned", frame=name, text=f"left out: {why}", remedy="see check; shoot it again if you can")
        for name, why in left_out
    ]
    found += [
        Finding(code="weakly-aligned", frame=d.frame.name, text=d.alignment.reason, remedy="look at fine detail")
        for d in frames
        if d.alignment.verdict == "weak"
    ]
    found += [
        Finding(
            code="daylight-not-measured",
            frame=d.frame.name,
            text="no place without flash light: its daylight was left as it is",
            remedy="take a frame without flash at the start and at the end of the walk",
            serious=False,
        )
        for d in frames
        if d.level is not None and not d.level.measured
    ]
    return tuple(found)
