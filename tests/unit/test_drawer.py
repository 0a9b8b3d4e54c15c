"""Arrays that wait: what comes back, where it waits meanwhile, and what is left behind."""

import os
from pathlib import Path
from threading import Thread

import numpy as np
import pytest

from lampwalk.drawer import Drawer
from lampwalk.errors import OutputError
from lampwalk.previews import align_preview, of_small, relit


def arrays(n: int, shape: tuple[int, ...] = (40, 50, 3)) -> list[np.ndarray]:
    rng = np.random.default_rng(0)
    return [rng.integers(0, 65536, shape, np.uint16) for _ in range(n)]


def file_bytes(drawer: Drawer) -> int:
    return 0 if drawer._file is None else os.fstat(drawer._file.fileno()).st_size


def test_everything_comes_back_from_memory_and_file(tmp_path: Path) -> None:
    given = [*arrays(5), *arrays(2, (3, 7)), np.zeros((0, 3), np.uint16), arrays(1)[0][::2, ::-1]]
    drawer = Drawer(tmp_path, 2 * given[0].nbytes)
    kept = [drawer.put(a) for a in given]
    assert file_bytes(drawer) == sum(np.asarray(a).nbytes for a in given[2:])
    for a, k in zip(given, kept, strict=True):
        assert k.get().dtype == a.dtype
        np.testing.assert_array_equal(k.get(), a)


def test_places_are_used_again(tmp_path: Path) -> None:
    given = arrays(3)
    drawer = Drawer(tmp_path, given[0].nbytes)
    kept = [drawer.put(a) for a in given]
    size = file_bytes(drawer)
    for _ in range(5):
        kept = [drawer.put(k.get()) if i else k for i, k in enumerate(kept)]
    assert file_bytes(drawer) == size + given[0].nbytes * 2  # old and new at once, never more
    for a, k in zip(given, kept, strict=True):
        np.testing.assert_array_equal(k.get(), a)
    kept.clear()
    del k
    full = drawer.put(given[0])
    assert full._at is None  # memory is free again, too


def test_less_waits_in_memory_while_there_is_something_in_the_file(tmp_path: Path) -> None:
    given = arrays(12)
    size = given[0].nbytes
    drawer = Drawer(tmp_path, 10 * size)
    kept = [drawer.put(a) for a in given]
    assert [k._at is None for k in kept] == 10 * [True] + 2 * [False]
    for i in range(10):  # each is put back as it is let go of
        kept[i] = drawer.put(kept[i].get())
    assert sum(k._at is None for k in kept) == 7  # with one that is put back at a time: two of ten stay free
    for a, k in zip(given, kept, strict=True):
        np.testing.assert_array_equal(k.get(), a)
    del kept[8:]
    assert all(drawer.put(a)._at is None for a in given[:2])


def test_threads_do_not_mix_up_arrays(tmp_path: Path) -> None:
    given = arrays(24)
    drawer = Drawer(tmp_path, 0)
    wrong: list[int] = []

    def work(some: range) -> None:
        for _ in range(20):
            kept = {i: drawer.put(given[i]) for i in some}
            wrong.extend(i for i in some if not np.array_equal(kept[i].get(), given[i]))

    threads = [Thread(target=work, args=(range(t, 24, 4),)) for t in range(4)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert wrong == []


def test_nothing_is_left_in_the_folder(tmp_path: Path) -> None:
    drawer = Drawer(tmp_path, 0)
    kept = [drawer.put(a) for a in arrays(2)]
    with pytest.raises(RuntimeError, match="stop"):
        raise RuntimeError("stop")
    del kept, drawer
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs the device that is always full")
def test_full_disk_keeps_it_in_memory(tmp_path: Path) -> None:
    given = arrays(3)
    drawer = Drawer(tmp_path, 0)
    drawer._file = Path("/dev/full").open("r+b", buffering=0)  # noqa: SIM115  (closed with the drawer)
    kept = [drawer.put(a) for a in given]
    for a, k in zip(given, kept, strict=True):
        np.testing.assert_array_equal(k.get(), a)


def test_folder_that_is_gone_keeps_it_in_memory(tmp_path: Path) -> None:
    a = arrays(1)[0]
    np.testing.assert_array_equal(Drawer(tmp_path / "gone", 0).put(a).get(), a)


def test_lost_file_is_an_error(tmp_path: Path) -> None:
    drawer = Drawer(tmp_path, 0)
    kept = drawer.put(arrays(1)[0])
    assert drawer._file is not None
    drawer._file.truncate(10)
    with pytest.raises(OutputError, match="scratch"):
        kept.get()


def test_previews_are_the_same_and_what_is_made_of_them_waits_there_too(tmp_path: Path) -> None:
    pixels = np.random.default_rng(1).integers(0, 256, (60, 80, 3), np.uint8)
    drawer = Drawer(tmp_path, 0)
    move = np.array([[1, 0, 2.5], [0, 1, -1], [0, 0, 1.0]])
    gain = np.full((60, 80, 3), 0.7, np.float32)
    filed, held = (relit(align_preview(of_small("a", pixels, (60, 80), *d), move), gain) for d in ([drawer], []))
    assert filed.drawer is drawer
    assert file_bytes(drawer) >= 60 * 80 * 3 * 2
    np.testing.assert_array_equal(filed.linear, held.linear)
    np.testing.assert_array_equal(filed.valid, held.valid)
