"""What the process has of memory: on Linux, told by the kernel (proc(5), getrusage(2))."""

from __future__ import annotations

import mmap
import platform
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from lampwalk import memory

FAULTS = """
import resource
import numpy as np
from lampwalk import memory

def faults():
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt

memory.share_one_heap()
np.zeros(3 << 20, np.uint8)[:] = 1
before = faults()
np.zeros(3 << 20, np.uint8)[:] = 1
print(faults() - before)
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="a setting of glibc")
def test_a_program_uses_the_memory_of_an_array_again():
    done = subprocess.run([sys.executable, "-c", FAULTS], capture_output=True, text=True, check=True)
    assert int(done.stdout) < 100  # pages of 3 MiB that are fresh: 768


def resident_bytes() -> int:
    return int(Path("/proc/self/statm").read_text().split()[1]) * mmap.PAGESIZE


@pytest.mark.skipif(sys.platform != "linux", reason="a call of Linux")
def test_rows_that_are_given_back_are_no_more_resident_and_their_neighbours_stay():
    picture = np.full((1000, 20_000, 3), 7, np.uint8)
    before = resident_bytes()
    memory.give_back(picture[200:800])
    assert before - resident_bytes() > 0.5 * picture.nbytes
    assert (picture[:200] == 7).all()
    assert (picture[800:] == 7).all()
    picture[200:800] = 5  # it is memory still
    assert (picture[200:800] == 5).all()


def test_what_lies_in_pieces_or_is_small_stays_as_it_is():
    picture = np.full((100, 100, 3), 7, np.uint8)
    memory.give_back(picture[:, 20:40])
    memory.give_back(picture[3:4])
    memory.give_back(picture[:0])
    assert (picture == 7).all()
