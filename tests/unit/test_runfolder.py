from __future__ import annotations

import pytest

from lampwalk import OutputError, runfolder


def names(folder):
    return sorted(p.name for p in folder.iterdir())


def make(target, text="new"):
    with runfolder.writing(target) as folder:
        (folder / "worksheet.json").write_text(text)


def test_a_run_appears_whole(tmp_path):
    with runfolder.writing(tmp_path / "run") as folder:
        (folder / "worksheet.json").write_text("x")
        assert not (tmp_path / "run").exists()
    assert names(tmp_path) == ["run"]


def test_a_failure_leaves_the_former_run(tmp_path):
    make(tmp_path / "run", "old")

    def fail():
        with runfolder.writing(tmp_path / "run") as folder:
            (folder / "worksheet.json").write_text("half")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail()
    assert (tmp_path / "run" / "worksheet.json").read_text() == "old"
    assert names(tmp_path) == ["run"]


def test_a_new_run_replaces_the_former_whole(tmp_path):
    make(tmp_path / "run", "old")
    (tmp_path / "run" / "picture.jpg").write_text("old")
    make(tmp_path / "run")
    assert names(tmp_path / "run") == ["worksheet.json"]


def test_a_foreign_folder_is_refused_and_untouched(tmp_path):
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / "thesis.txt").write_text("years of work")
    with pytest.raises(OutputError, match="did not write"):
        make(tmp_path / "run")
    assert names(tmp_path / "run") == ["thesis.txt"]
    with runfolder.writing(tmp_path / "run", overwrite=True) as folder:
        (folder / "worksheet.json").write_text("x")
    assert names(tmp_path / "run") == ["worksheet.json"]


def test_a_file_in_the_way_is_refused(tmp_path):
    (tmp_path / "run").write_text("a file")
    with pytest.raises(OutputError, match="is a file"):
        make(tmp_path / "run")


def test_a_run_cut_off_between_the_two_renames_is_restored(tmp_path):
    make(tmp_path / "run", "old")
    (tmp_path / "run").rename(tmp_path / f".run{runfolder.OLD}")
    (tmp_path / f".run{runfolder.PART}").mkdir()
    with pytest.raises(RuntimeError), runfolder.writing(tmp_path / "run"):
        raise RuntimeError
    assert (tmp_path / "run" / "worksheet.json").read_text() == "old"
    assert names(tmp_path) == ["run"]


def test_a_second_writer_is_refused_while_the_first_goes_on(tmp_path):
    pytest.importorskip("fcntl")
    with runfolder.writing(tmp_path / "run") as folder:
        with pytest.raises(OutputError, match="another lampwalk"):
            make(tmp_path / "run")
        (folder / "worksheet.json").write_text("first")
    assert (tmp_path / "run" / "worksheet.json").read_text() == "first"


def test_a_folder_without_rights_is_an_error_with_a_remedy(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError) as caught:
        make(tmp_path / "file" / "run")
    assert caught.value.remedy
