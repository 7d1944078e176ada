"""The truth of a run: what was done to which element when, with every link's packet counts at that moment."""

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path

Counts = Mapping[str, Mapping[str, Mapping[str, int]]]
"""link -> way -> count by name: taken, passed, lost ..."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One event. what: "up", "fault" or "clear"; words: the effect; counts: since it came up."""

    at_ns: int
    what: str
    element: str = ""
    words: str = ""
    counts: Counts = field(default_factory=dict)


def append_entry(path: Path, entry: Entry) -> None:
    """Add one JSON line to the truth file."""
    with path.open("a") as out:
        out.write(json.dumps(asdict(entry)) + "\n")


def between(before: Counts, after: Counts) -> dict[str, dict[str, dict[str, int]]]:
    """What was counted between two moments; a link that is new counts from zero."""
    return {
        link: {
            way: {name: n - before.get(link, {}).get(way, {}).get(name, 0) for name, n in counts.items()}
            for way, counts in ways.items()
        }
        for link, ways in after.items()
    }
