"""The pictures of a run folder: how each file is written, and all that it is made of."""

from __future__ import annotations

import json
from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import encode, fingerprints, finish, metadata, parallel, runfolder
from .composite import Composite, Window
from .fingerprints import Fingerprints
from .metadata import Metadata
from .spares import Part, Spares


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outputs:
    """The pictures of one result.

    Attributes
    ----------
    composite, coverage, contact_sheet, picture : Part
    finished : callable
        Gives the finished picture, (H, W, 3) uint16; made when first asked for.
    """

    composite: Part
    coverage: Part
    contact_sheet: Part
    picture: Part
    finished: Callable[[], NDArray[np.uint16]]

    def write_ahead(self, spares: Spares) -> None:
        """Have them ready."""
        self._each(spares.renew)

    def write(self, folder: Path, spares: Spares, former: Path) -> None:
        """Write them into a run folder, which will take the place of a former one, or move there what is ready."""

        def place(part: Part) -> None:
            path = folder / part.name
            spares.give(part, path, former / part.name)
            if part is self.composite:
                aside(lambda: runfolder.sync(path))  # what is largest reaches the disk while the others are packed

        with parallel.aside() as aside:
            aside(lambda: runfolder.settle(folder / "small"))
            self._each(place)

    def _each(self, function: Callable[[Part], object]) -> None:
        # The picture comes last: it is packed on all cores by itself.
        parallel.each(function, (self.composite, self.coverage, self.contact_sheet, self.picture))


def outputs_of(
    result: Composite,
    carried: Metadata,
    spec: Mapping[str, object],
    *,
    made_of: Fingerprints,
    contents: Mapping[str, str],
    thumbnails: Mapping[str, NDArray[np.uint8]],
    compression: str = "none",
) -> Outputs:
    """Say how the pictures of a result are written.

    Parameters
    ----------
    result : Composite
    carried : Metadata
        To be carried by the files.
    spec : mapping
        The finish.
    made_of : Fingerprints
        Of the result; may be empty where no file is kept ready.
    contents : mapping of frame name to str
        Digest of the frame's file.
    thumbnails : mapping of frame name to (h, w, 3) uint8
        As by `runfolder.thumbnail`.
    compression : {"none", "deflate"}
        Of the composite.
    """
    told: dict[str, Any] = {"icc": carried.icc, "exif": carried.exif, "xmp": carried.xmp}
    carries, frames = tuple(told.values()), result.decisions.series.frames
    hidden = {d.frame.name: d.hidden for d in result.decisions.frames if d.hidden is not None}
    finished = parallel.once(lambda: finish.apply(result.pixels, finish.from_json(spec)))
    finished_of = (made_of, json.dumps(spec, sort_keys=True))

    def changed(before: Any) -> tuple[Window, ...] | None:
        """Where a file differs that was made of another result; None where it may everywhere."""
        return fingerprints.changed(before, made_of, result.decisions.series.shape)

    def composite(path: Path, before: Hashable) -> None:
        windows = None
        if isinstance(before, tuple) and before[1:] == (carries, compression) and compression == "none":
            windows = changed(before[0])
        if windows is None:
            encode.write_tiff(path, result.pixels, compression=compression, **told)
        else:
            encode.write_windows(path, result.pixels, windows)

    def coverage(path: Path, before: Hashable) -> None:
        windows = None if before is None else changed(before)
        encode.write_map(path, result.coverage, None if windows is None else [rows for rows, _ in windows])

    def picture(path: Path, before: Hashable) -> None:
        windows = None
        if isinstance(before, tuple) and before[1:] == (carries,) and finished() is result.pixels:
            windows = changed(before[0][0]) if before[0][1:] == finished_of[1:] else None
        if windows is None:
            encode.write_jpeg(path, finished(), **told)
        else:
            encode.write_jpeg_rows(path, finished(), [rows for rows, _ in windows])

    def contact_sheet(path: Path, _: Hashable) -> None:
        runfolder.write_contact_sheet(
            path,
            list(frames),
            result.worksheet,
            finished(),
            thumbnails=thumbnails,
            mask_of=lambda name: hidden[name].small() if name in hidden else None,
        )

    cells = tuple(
        (f.name, contents.get(f.name), hidden.get(f.name), result.worksheet.frame(f.name).role) for f in frames
    )
    return Outputs(
        composite=Part(name="composite.tif", made_of=(made_of, carries, compression), write=composite),
        coverage=Part(name="coverage.png", made_of=made_of, write=coverage),
        contact_sheet=Part(name="contact_sheet.jpg", made_of=(finished_of, cells), write=contact_sheet),
        picture=Part(name="picture.jpg", made_of=(finished_of, carries), write=picture),
        finished=finished,
    )


def carried_by(result: Composite, *, keep_location: bool = False) -> Metadata:
    """Metadata of the reference, as the files of its result carry them."""
    reference = next(f for f in result.decisions.series.frames if f.name == result.decisions.reference)
    return metadata.for_output(reference.metadata(), result.decisions.series.shape, keep_location=keep_location)
