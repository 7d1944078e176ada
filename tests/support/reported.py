"""Recorded samples of Alder House as a table and as a span, for the tests of claims and reports."""

from functools import cache

from support.record_windows import count_in, counted_of
from whichhop.claim.span import JudgedSpan, judged_span
from whichhop.compare.comparison import compare_windows
from whichhop.compare.windows.tally import Tally
from whichhop.lab.demo.run import recorded_folder
from whichhop.lab.standard_home import alder_home
from whichhop.model import Reading, Record
from whichhop.model.units import NS_PER_MINUTE
from whichhop.store.files import read_file


@cache
def recorded(story: str) -> tuple[tuple[Record, ...], tuple[Reading, ...]]:
    everything = read_file(recorded_folder() / f"{story}.jsonl.gz")
    records = tuple(x for x in everything if isinstance(x, Record))
    return records, tuple(x for x in everything if not isinstance(x, Record))


def span_of(records: tuple[Record, ...]) -> tuple[int, int]:
    minutes = [r.minute for r in records]
    return min(minutes) * NS_PER_MINUTE, (max(minutes) + 1) * NS_PER_MINUTE


@cache
def judged_story(story: str, *, counters: bool = True) -> tuple[JudgedSpan, tuple[Tally, ...]]:
    records, readings = recorded(story)
    start, end = span_of(records)
    keys = sorted({r.session for r in records})
    table, tallies = count_in(keys, (counted_of(k, records) for k in keys), start_ns=start, end_ns=end)
    kept = readings if counters else tuple(r for r in readings if not r.name.startswith("wan_"))
    found = compare_windows(alder_home(), table, kept)
    assert found is not None
    return judged_span(found, kept), tallies
