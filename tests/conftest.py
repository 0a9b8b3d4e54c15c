"""What the tests share."""

from __future__ import annotations

import signal
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))  # for `scoring`

# What a shell starts in the background may ignore Ctrl-C, and children inherit that.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

SHARED = HERE.parent.parent / "shared"


@pytest.fixture(scope="session")
def small_scene() -> Path:
    """Ten small frames with known truth (frames/, truth/)."""
    return HERE / "scenes" / "small_slipway"


@pytest.fixture(scope="session")
def small_run(small_scene, tmp_path_factory):
    """The small scene, merged once for all tests."""
    import lampwalk

    return lampwalk.merge_folder(small_scene / "frames", tmp_path_factory.mktemp("runs") / "run")


@pytest.fixture
def shared_scene(request) -> Path:
    """A scene that lies beside the project; skips where it does not."""
    path = SHARED / "scenes" / request.param
    if not path.is_dir():
        pytest.skip("the scenes with truth do not lie beside the project")
    return path
