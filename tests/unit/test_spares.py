"""Files that are written ahead: never another content than if they were written when asked for."""

from __future__ import annotations

import shutil

import pytest

from lampwalk.errors import OutputError
from lampwalk.spares import Part, Spares


@pytest.fixture
def folder(tmp_path):
    return tmp_path / "kept"


@pytest.fixture
def spares(folder):
    folder.mkdir()
    return Spares(folder)


@pytest.fixture
def written():
    """What was written: where, and over what."""
    return []


@pytest.fixture
def part(written):
    def make(text):
        def write(path, before):
            written.append((path.parent.name, before))
            path.write_text(text)

        return Part(name="a.txt", made_of=text, write=write)

    return make


def test_what_was_written_ahead_is_only_moved(spares, part, written, tmp_path):
    spares.renew(part("one"))
    spares.renew(part("one"))
    spares.give(part("one"), tmp_path / "a.txt", tmp_path / "none")
    assert written == [("kept", None)]
    assert (tmp_path / "a.txt").read_text() == "one"
    spares.give(part("one"), tmp_path / "b.txt", tmp_path / "none")  # it was given away
    assert written[1:] == [(tmp_path.name, None)]


def test_what_is_out_of_date_is_told_what_it_was_made_of(spares, part, written, tmp_path):
    spares.renew(part("one"))
    spares.renew(part("two"))
    spares.give(part("three"), tmp_path / "a.txt", tmp_path / "none")
    assert [before for _, before in written] == [None, "one", "two"]
    assert (tmp_path / "a.txt").read_text() == "three"
    assert not (tmp_path / "kept" / "a.txt").exists()


@pytest.mark.parametrize("harm", ["write", "delete", "delete all"])
def test_what_is_kept_may_be_changed_or_deleted_at_any_time(spares, part, written, folder, tmp_path, harm):
    spares.renew(part("one"))
    if harm == "write":
        (folder / "a.txt").write_text("something else")
    elif harm == "delete":
        (folder / "a.txt").unlink()
    else:
        shutil.rmtree(folder)
    spares.give(part("one"), tmp_path / "a.txt", tmp_path / "none")
    assert (tmp_path / "a.txt").read_text() == "one"
    assert [before for _, before in written] == [None, None]


def refuse(path, _):
    path.write_text("a half")
    raise OutputError("cannot be written: No space left on device", remedy="make room")


def test_where_nothing_can_be_written_ahead_nothing_is_kept(spares, part, folder, tmp_path):
    spares.renew(part("one"))
    spares.renew(Part(name="a.txt", made_of="two", write=refuse))
    assert not (folder / "a.txt").exists()
    spares.give(part("two"), tmp_path / "a.txt", tmp_path / "none")
    assert (tmp_path / "a.txt").read_text() == "two"


def test_what_cannot_be_brought_up_to_date_is_written_in_its_place(spares, part, folder, tmp_path):
    spares.renew(part("one"))

    def write(path, before):
        if before is not None:
            refuse(path, before)
        path.write_text("two")

    spares.give(Part(name="a.txt", made_of="two", write=write), tmp_path / "a.txt", tmp_path / "none")
    assert (tmp_path / "a.txt").read_text() == "two"
    assert not (folder / "a.txt").exists()


def test_what_cannot_be_written_at_all_is_said(spares, tmp_path):
    with pytest.raises(OutputError, match="No space left"):
        spares.give(Part(name="a.txt", made_of="one", write=refuse), tmp_path / "a.txt", tmp_path / "none")


def test_without_a_folder_nothing_is_kept(part, written, tmp_path):
    none = Spares()
    none.renew(part("one"))
    assert written == []
    none.give(part("one"), tmp_path / "a.txt", tmp_path / "none")
    assert written == [(tmp_path.name, None)]


def test_what_is_replaced_is_kept_in_turn(spares, part, written, tmp_path):
    run, new = tmp_path / "a.txt", tmp_path / "new.txt"
    spares.give(part("one"), run, run)
    spares.give(part("two"), new, run)
    inode = run.stat().st_ino
    new.replace(run)
    spares.renew(part("three"))
    assert [before for _, before in written] == [None, None, "one"]
    spares.give(part("three"), new, run)
    assert new.stat().st_ino == inode
    assert new.read_text() == "three"


def test_what_was_not_replaced_after_all_is_never_written_to(spares, part, written, tmp_path):
    run, new = tmp_path / "a.txt", tmp_path / "new.txt"
    spares.give(part("one"), run, run)
    spares.give(part("two"), new, run)
    spares.renew(part("three"))
    assert written[-1] == ("kept", None)
    assert run.read_text() == "one"


def test_what_somebody_else_has_written_since_is_not_kept(spares, part, written, tmp_path):
    run, new = tmp_path / "a.txt", tmp_path / "new.txt"
    spares.give(part("one"), run, run)
    run.write_text("another picture")
    spares.give(part("two"), new, run)
    new.replace(run)
    spares.renew(part("three"))
    assert written[-1] == ("kept", None)
