"""The review page: see, correct and finish a run, in a browser on this machine.

opened.py     what is read from a run folder
strokes.py    paint on masks
table.py      the light table: the series at preview size, merged by the very code of the full merge
history.py    every change, to be taken back
session.py    one run under review: changes, saving, background work
server.py     the address, who may ask, and what is answered
export.py     one self-contained file
assets/       the page
"""

from .export import export as write_page
from .server import Server
from .session import Session

__all__ = ["Server", "Session", "write_page"]
