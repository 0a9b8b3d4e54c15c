"""The public surface: what other people's scripts rely on."""

from __future__ import annotations

import doctest
import importlib
import inspect
import pkgutil
import re

import pytest

import lampwalk

PUBLIC = {
    "Alignment", "Choices", "Composite", "Finding", "Frame", "FrameError", "InputError", "Lamp", "LampwalkError", "Mask",
    "MissingExtraError", "OutputError", "Run", "Series", "SeriesError", "Stack", "Wish", "WorksheetError", "align", "check",
    "find_equipment", "merge", "merge_folder", "merge_many", "merge_worksheet", "plan", "read_series",
}  # fmt: skip

MODULES = sorted(
    name
    for _, name, _ in pkgutil.walk_packages(lampwalk.__path__, "lampwalk.")
    if not any(part.startswith("_") for part in name.split("."))
)


def test_no_public_name_comes_or_goes_unnoticed():
    assert set(lampwalk.__all__) == PUBLIC
    assert all(hasattr(lampwalk, name) for name in PUBLIC)


@pytest.mark.parametrize("name", MODULES)
def test_examples_in_docstrings_run(name):
    assert doctest.testmod(importlib.import_module(name)).failed == 0


@pytest.mark.parametrize("name", MODULES)
def test_docstrings_name_only_parameters_that_exist(name):
    """Every name under Parameters is a parameter, and every public function has a docstring."""
    module = importlib.import_module(name)
    for function in vars(module).values():
        if not inspect.isfunction(function) or function.__module__ != name or function.__name__.startswith("_"):
            continue
        text = inspect.getdoc(function)
        assert text, f"{name}.{function.__name__} has no docstring"
        block = re.search(r"Parameters\n-+\n(.*?)(\n\n[A-Z]\w+\n-+|\Z)", text, re.S)
        if block is None:
            continue
        named = [
            n.strip() for line in re.findall(r"^(\w[\w, ]*?)(?: :|$)", block.group(1), re.M) for n in line.split(",")
        ]
        real = set(inspect.signature(function).parameters)
        assert set(named) <= real, f"{name}.{function.__name__}: {set(named) - real}"
