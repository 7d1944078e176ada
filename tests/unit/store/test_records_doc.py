"""shared/records.md: what it shows is read, and it names every key."""

from pathlib import Path

from whichhop.model import Method, Reading, Record
from whichhop.store.interchange import read_lines
from whichhop.store.json_line import KEYS

DOC = (Path(__file__).parents[3] / "shared" / "records.md").read_text("utf-8")


def test_every_line_that_is_shown_is_read() -> None:
    lines = [line.strip() for line in DOC.splitlines() if line.startswith("    {")]
    notes: list[object] = []
    found = list(read_lines(lines, "records.md", notes.append))
    assert len(notes) == 2
    assert sum(isinstance(f, Reading) for f in found) == 2
    assert sum(len(f.samples) for f in found if isinstance(f, Record)) == 3


def test_every_key_of_a_sample_and_every_method_is_told() -> None:
    assert all(f"`{key}`" in DOC for key in KEYS["sent"])
    assert all(f"`{method}`" in DOC for method in Method)
