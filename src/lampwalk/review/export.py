"""One self-contained, read-only page of a run, to send: no server, no network, nothing to install."""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
from importlib import resources
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .. import encode
from ..errors import InputError, OutputError
from . import view
from .pictures import Pictures, finished
from .session import Session

SCRIPTS = ("viewer.js", "palette.js", "export.js")
"""Modules that are put together into the one script of the page, in this order."""

OUTLINE = (235, 120, 20)
"""Colour of the masks' outlines, as on the contact sheet."""


def export(run: str | Path, file: str | Path) -> None:
    """Write a run as one read-only HTML file.

    Parameters
    ----------
    run : path
        A run folder.
    file : path
        The file to write; one that is there already is replaced.

    Raises
    ------
    WorksheetError
        The run cannot be read.
    OutputError
        The file cannot be written.
    """
    file = Path(file)
    if file.suffix.lower() not in (".html", ".htm"):
        raise InputError(f"cannot export to {file.name}", remedy="give a name that ends in .html")
    session = Session(run)
    session.settle_now()
    text = page(session, Pictures(session))
    try:
        with encode.whole(file) as temporary:
            temporary.write_text(text, "utf-8")
    except OSError as error:
        raise OutputError(
            f"cannot be written: {error.strerror or error}", file=file, remedy="give another place"
        ) from error


def page(session: Session, pictures: Pictures) -> str:
    """Make the page of a session whose frames are settled.

    Raises
    ------
    InputError
        The frames are still being prepared, or cannot be.
    """
    if session.table is None:
        raise InputError(session.problem or "the frames are still being prepared", remedy="wait a little")
    state = view.state(session)
    data = {
        "run": state["run"],
        "frames": state["frames"],
        "left_out": state["left_out"],
        "findings": state["findings"],
        "unlit": state["unlit"],
        "filled": state["filled"],
        "reference": state["reference"],
        **_pictures(session, pictures, state["crop_box"]),
    }
    assets = resources.files(__package__) / "assets"
    script = "\n".join(_plain((assets / name).read_text("utf-8")) for name in SCRIPTS)
    style = (assets / "look.css").read_text("utf-8")
    policy = (
        f"default-src 'none'; base-uri 'none'; img-src data:; style-src '{_digest(style)}'; "
        f"script-src '{_digest(script)}'"
    )
    parts = {
        "policy": html.escape(policy),
        "title": html.escape(state["run"]),
        "style": style,
        "script": script,
        # A data block ends at "</script": so no "<" may stand in it.
        "data": json.dumps(data, ensure_ascii=False).replace("<", "\\u003c"),
    }
    template = (assets / "export.html").read_text("utf-8")
    return re.sub(r"\{\{(\w+)\}\}", lambda found: parts[found[1]], template)


def _pictures(session: Session, pictures: Pictures, crop: list[int] | None) -> dict[str, Any]:
    """All pictures, cropped like the result, as data addresses."""
    table = session.table
    assert table is not None
    h, w = session.run.small
    r0, c0, r1, c1 = crop or (0, 0, h, w)

    def working(pixels: NDArray[np.uint16]) -> str:
        return jpeg(pictures.in_profile(pixels))

    def jpeg(pixels: NDArray[Any]) -> str:
        return _address("image/jpeg", pictures.jpeg(np.ascontiguousarray(pixels[r0:r1, c0:c1])))

    frames = []
    for d in table.frames:
        name = d.frame.name
        shown = encode.to_eight_bits(pictures.in_profile(pictures.warped(name)))
        frames.append({
            "frame": jpeg(_outlined(shown, session.mask_in_reference(name))),
            "light": working(table.light_of(name)),
        })  # fmt: skip
    return {
        "size": [r1 - r0, c1 - c0],
        "result": jpeg(finished(pictures.in_profile(table.pixels), session.sheet)),
        "before": working(pictures.warped(session.sheet.reference)),
        "unhidden": working(table.unhidden()),
        "coverage": _address("image/png", encode.encode_png(np.ascontiguousarray(table.coverage[r0:r1, c0:c1]))),
        "pictures": frames,
    }


def _outlined(pixels: NDArray[np.uint8], mask: NDArray[np.uint8]) -> NDArray[np.uint8]:
    outlines, _ = cv2.findContours((mask > 100).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    out = pixels.copy()
    cv2.drawContours(out, outlines, -1, OUTLINE, 2, cv2.LINE_AA)
    return out


def _plain(module: str) -> str:
    """Strip a module of imports and exports: all modules become one script."""
    return re.sub(
        r"^export (?=class|function|const)",
        "",
        re.sub(r"^import .*?;\n", "", module, flags=re.M | re.S),
        flags=re.M,
    )


def _address(kind: str, data: bytes) -> str:
    return f"data:{kind};base64,{base64.b64encode(data).decode('ascii')}"


def _digest(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")
