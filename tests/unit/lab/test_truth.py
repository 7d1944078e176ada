"""The truth file holds one line an event, and counts between two moments are differences."""

import json
from pathlib import Path

from whichhop.lab.faults import Entry, append_entry, between


def test_events_are_appended_as_json_lines(tmp_path: Path) -> None:
    path = tmp_path / "truth.jsonl"
    append_entry(path, Entry(at_ns=1, what="up"))
    append_entry(path, Entry(at_ns=2, what="fault", element="desk/attic", words="loss 5%"))
    lines = [json.loads(line) for line in path.read_text().splitlines()]
    assert [(x["at_ns"], x["what"], x["element"]) for x in lines] == [
        (1, "up", ""),
        (2, "fault", "desk/attic"),
    ]


def test_counts_between_two_moments_are_differences() -> None:
    before = {"a": {"up": {"taken": 5, "lost": 1}}}
    after = {"a": {"up": {"taken": 9, "lost": 1}}, "b": {"down": {"taken": 2}}}
    assert between(before, after) == {"a": {"up": {"taken": 4, "lost": 0}}, "b": {"down": {"taken": 2}}}
