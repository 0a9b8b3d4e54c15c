"""Memory of this process: what is kept by the C library, and what goes back to the system."""

from __future__ import annotations

import ctypes
import logging
import mmap
import sys
from typing import Any

from numpy.typing import NDArray

_log = logging.getLogger(__name__)

_HEAP = {-8: 1, -3: 32 << 20, -1: 128 << 20}
"""Settings of mallopt (glibc, malloc.h): M_ARENA_MAX, heaps; M_MMAP_THRESHOLD, bytes from which on an array is mapped by itself;
M_TRIM_THRESHOLD, free bytes that stay with the process."""


def share_one_heap() -> None:
    """Let all threads of this process take memory from one heap, where the C library is glibc; for programs, not libraries.

    A heap of its own for every thread keeps what the others could use: a series of 40 frames takes 140 MB more. The heap takes
    arrays of some megabytes, too, which would else be fresh memory each time (of 45 MP x 4 TIFF that are not packed a twentieth
    of the time; where large pictures are decoded, the C library comes to about the same by itself).
    """
    if sys.platform == "linux":
        try:
            mallopt = ctypes.CDLL("libc.so.6").mallopt
            for setting, value in _HEAP.items():
                mallopt(setting, value)
        except (OSError, AttributeError):  # another C library
            _log.debug("every thread has its own heap")


def give_back_freed() -> None:
    """Hand memory that was freed back to the system, where the C library keeps it (Linux with glibc); else do nothing.

    A step that holds something of every frame leaves hundreds of megabytes in the heap, on top of which the next one builds.
    """
    if sys.platform == "linux":
        try:
            ctypes.CDLL("libc.so.6").malloc_trim(0)
        except (OSError, AttributeError):  # another C library
            _log.debug("freed memory stays with the process")


def give_back(values: NDArray[Any]) -> None:
    """Hand the memory of an array back to the system, which nobody may read any more before it is written anew.

    Parameters
    ----------
    values : array
        All of an array or some of its rows, in one piece; only whole pages of it go.

    Notes
    -----
    ``madvise``, MADV_DONTNEED (Linux manual, madvise(2)); on other systems the memory stays until the array goes. What goes back is
    at once there for what comes next: on a virtual machine, memory that was in use a moment ago costs a tenth of what the host has
    to find first.
    """
    if sys.platform != "linux" or not values.flags.c_contiguous:
        return
    first, end = values.ctypes.data, values.ctypes.data + values.nbytes
    first, end = -(-first // mmap.PAGESIZE) * mmap.PAGESIZE, end // mmap.PAGESIZE * mmap.PAGESIZE
    if first < end:
        try:
            advise = ctypes.CDLL(None).madvise
            advise.argtypes = ctypes.c_void_p, ctypes.c_size_t, ctypes.c_int
            advise(first, end - first, mmap.MADV_DONTNEED)
        except (OSError, AttributeError):  # another C library
            _log.debug("the memory stays with the process")
