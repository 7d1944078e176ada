"""The package's nouns: what a type checker reads is what a program gets, and nothing is loaded unasked."""

import ast
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest

from whichhop import model


def test_each_noun_comes_from_the_module_that_types_are_read_from() -> None:
    tree = ast.parse(Path(model.__file__).read_text())
    imported = {
        alias.name: node.module
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("whichhop.model.")
        for alias in node.names
    }
    assert sorted(imported) == sorted(model.__all__)
    for name, module in imported.items():
        assert getattr(model, name) is getattr(import_module(str(module)), name)


def test_a_noun_that_there_is_not_is_told_as_anywhere() -> None:
    with pytest.raises(AttributeError, match="no attribute 'Hedgehog'"):
        getattr(model, "Hedgehog")  # noqa: B009 - a type checker would refuse it
    with pytest.raises(ImportError):
        exec("from whichhop.model import Hedgehog")


def test_a_unit_of_time_loads_no_noun() -> None:
    program = (
        "import sys, whichhop.model.units; print(*(m for m in sys.modules if m.startswith('whichhop.')))"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert set(done.stdout.split()) == {"whichhop.model", "whichhop.model.units"}
