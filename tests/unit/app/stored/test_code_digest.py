"""What was worked out by other sources has another digest."""

from pathlib import Path

import pytest

from whichhop.app.stored import by_days as module
from whichhop.app.stored.by_days import CUTTING, code_digest


def test_any_source_that_changes_changes_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "wire").mkdir()
    (tmp_path / "wire" / "one.py").write_text("a = 1\n")
    (tmp_path / "top.py").write_text("b = 2\n")
    monkeypatch.setattr(module, "_TOP", tmp_path)
    of = code_digest.__wrapped__
    before, of_wire = of(), of(("wire",))
    (tmp_path / "top.py").write_text("b = 3\n")
    assert of() != before
    assert of(("wire",)) == of_wire
    (tmp_path / "wire" / "one.py").rename(tmp_path / "wire" / "two.py")
    assert of(("wire",)) != of_wire


def test_every_part_that_windows_are_cut_by_is_there() -> None:
    assert all((module._TOP / part).exists() for part in CUTTING)
