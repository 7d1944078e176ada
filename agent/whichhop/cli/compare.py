"""`whichhop compare`: collects what the agents measured and says which hop is to blame, and how surely."""

import argparse
import json
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec

from whichhop.app import metrics_windows
from whichhop.app.access_line import line_explanations
from whichhop.app.agent_addresses import SETTLED_NS
from whichhop.app.refusals import Refused, refusal_words, refused_lately
from whichhop.app.store_windows import windows_of_store
from whichhop.cabling.explain import Explanation
from whichhop.cli.collecting import ask_agents, import_files
from whichhop.cli.compare_live import follow
from whichhop.cli.span import told_span
from whichhop.cli.table import table
from whichhop.cli.times import clock_text, local_text
from whichhop.compare.comparison import Comparison, compare_windows, comparison_data
from whichhop.compare.timestamp_words import timing_words
from whichhop.compare.windows.table import WindowTable
from whichhop.compare.words import explain, probability_words
from whichhop.config.check import House, read_house
from whichhop.daemon.options import default_store
from whichhop.errors import DataError, WhichhopError
from whichhop.model import Fate, Home, Reading, Record
from whichhop.model.units import NS_PER_MINUTE
from whichhop.net.clock import SystemClock
from whichhop.report.times import lasting
from whichhop.store.collect import Collected
from whichhop.store.store import Store

EPILOG = """\
examples:
  whichhop compare alder.yaml
  whichhop compare alder.yaml --from 2026-03-01T18:00Z --to 2026-03-01T23:00Z
  whichhop compare alder.yaml --records evening/ --json
  whichhop compare alder.yaml --follow
  whichhop compare alder.yaml --prometheus http://127.0.0.1:9090 --select home="Alder House"

Asks every agent of the home for what it measured since last time, then judges the whole span. With
--records, reads files in the interchange form instead and asks nobody. With --follow, goes on until Ctrl-C
and prints when a verdict opens, changes or ends.
"""

LEAST_ASIDE = 0.01
"""Of the span: less than this is not worth a line."""
NAMED = 3
"""Agents named in that line; the rest are counted (`--json` has them all)."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The verb's arguments."""
    parser.epilog = EPILOG
    parser.add_argument("home", type=Path, metavar="HOME", help="the home file (YAML)")
    parser.add_argument("--from", dest="start", metavar="TIME", help="begin (default: a day before the end)")
    parser.add_argument("--to", dest="end", metavar="TIME", help="end (default: now)")
    parser.add_argument("--key", type=Path, metavar="FILE", help="the key file (default: HOME's name, .key)")
    parser.add_argument("--store", type=Path, metavar="FILE", help="where collected records are kept")
    parser.add_argument("--offline", action="store_true", help="ask no agent; judge what is kept already")
    parser.add_argument(
        "--records", type=Path, metavar="DIR", help="judge the *.jsonl files there instead; ask no agent"
    )
    metrics_windows.add_arguments(parser)
    parser.add_argument(
        "--follow", action="store_true", help="go on, and print what changes every ten seconds"
    )
    parser.add_argument(
        "--json", action="store_true", help="print data instead of text; with --follow a line a tick"
    )


def _line_words(line: Explanation | None) -> list[str]:
    if line is None:
        return []
    words = [
        line.sentence,
        *(f"The line: {r}" for r in line.reasons),
        *(f"Next: {n}" for n in line.next_steps),
    ]
    return [word if word.endswith(".") else f"{word}." for word in words]


def _aside_words(found: Comparison) -> str:
    """Who was no witness for how long, longest first; empty where it was next to nothing."""
    told = [i for i in found.aside_s.items() if i[1] >= LEAST_ASIDE * found.span_s]
    if not told:
        return ""
    told.sort(key=lambda i: (-i[1], i[0]))
    names = ", ".join(f"{agent} {lasting(seconds)}" for agent, seconds in told[:NAMED])
    more = f" and {len(told) - NAMED} more" if len(told) > NAMED else ""
    return (
        f"Set aside, the agent having been busy, asleep or not heard of: {names}{more}, of"
        f" {lasting(found.span_s)}; what happened then is not judged."
    )


def _text(found: Comparison, lines: Sequence[Explanation | None], note: str) -> str:
    head = (
        f"{found.home.name}: {local_text(found.start_ns)} to {local_text(found.end_ns)},"
        f" {len(found.windows.sessions)} sessions, {found.packets} packets"
    )
    aside = _aside_words(found)
    head += "".join(f"\n({words})" for words in (note, timing_words(found.windows), aside) if words)
    if not found.verdicts:
        health = "Healthy as far as it was judged" if aside else "Healthy"
        return f"{head}\n\n{health}: nothing exceeds its own quiet baseline.\n"
    rows = [
        (
            clock_text(v.start_ns),
            clock_text(v.end_ns) if v.end_ns is not None else "lasting",
            v.cause + ("" if v.proven else " (not proven)"),
            " + ".join(v.elements),
            probability_words(v.probability),
        )
        for v in found.verdicts
    ]
    parts = [head, table(("since", "until", "cause", "where", "probability"), rows)]
    parts += [
        f"{clock_text(v.start_ns)}  " + "\n          ".join([*explain(v), *_line_words(line)])
        for v, line in zip(found.verdicts, lines, strict=True)
    ]
    return "\n\n".join(parts) + "\n"


def _gather(args: argparse.Namespace, home: Home, store: Store) -> tuple[list[Collected], list[Record]]:
    if args.records:
        import_files(args.records, store)
    elif not args.offline:
        return ask_agents(args, home, store)
    return [], []


_REASONS = {Fate.REFUSED_KEY: "key", Fate.REFUSED_ADDRESS: "address", Fate.REFUSED: "other"}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Material:
    """What is to be judged: windows (None when nothing was measured), readings, how the agents answered."""

    start_ns: int
    end_ns: int
    windows: WindowTable | None
    readings: list[Reading]
    agents: list[Collected]
    note: str = ""
    refused: tuple[Refused, ...] = ()


def _from_store(args: argparse.Namespace, home: Home) -> _Material:
    """Records: those that are kept and collected now, or those of files."""
    with tempfile.TemporaryDirectory() as passing:
        # Files are judged apart from what is kept, so that nothing is mixed in behind the reader's back.
        kept = args.store or default_store(f"{args.home.stem}.collected")
        path = Path(passing) / "records.db" if args.records else kept
        with Store.make(path) as store:
            agents, extra = _gather(args, home, store)
            start, end = _span(args, store)
            readings = list(store.readings(from_ns=start - NS_PER_MINUTE, to_ns=end))
            refused = refused_lately(store, home, extra, end)
        windows = windows_of_store(path, home, start_ns=start, end_ns=end, extra=extra)
    return _Material(
        start_ns=start, end_ns=end, windows=windows, readings=readings, agents=agents, refused=refused
    )


def _from_server(args: argparse.Namespace, home: Home) -> _Material:
    """Counts, from a server that scrapes the agents."""
    start, end = told_span(args, SystemClock().utc_ns() - SETTLED_NS)
    windows, readings, note = metrics_windows.windows_of_server(args, home, start, end)
    return _Material(start_ns=start, end_ns=end, windows=windows, readings=readings, agents=[], note=note)


def _span(args: argparse.Namespace, store: Store) -> tuple[int, int]:
    """From and to in ns; the end of what is kept, or now less the waiting time, unless told."""
    kept = store.span()
    latest = SystemClock().utc_ns() - SETTLED_NS
    if args.records and kept:
        latest = min(latest, (kept[1] + 1) * NS_PER_MINUTE)
    return told_span(args, latest)


def _follow(args: argparse.Namespace, house: House) -> int:
    for option, given in (("from", args.start), ("to", args.end)):
        if given:
            raise WhichhopError(f"--follow judges what is measured from now on; leave --{option} out")
    return follow(args, house)


def run(args: argparse.Namespace) -> int:
    """Collect, judge, print. Exit code 0 whatever the verdict; 2 when nothing could be judged."""
    house = read_house(args.home)
    home = house.home
    chosen = [f"--{n}" for n in ("prometheus", "records", "offline", "follow") if getattr(args, n)]
    if len(chosen) > 1:
        raise WhichhopError(f"{' and '.join(chosen)} exclude each other; give one")
    if args.follow:
        return _follow(args, house)
    material = _from_server(args, home) if args.prometheus else _from_store(args, home)
    start, end, readings = material.start_ns, material.end_ns, material.readings
    if material.windows is None or not material.windows.sent.any():
        raise DataError(
            f"nothing was measured between {local_text(start)} and {local_text(end)}:"
            " start the agents, or name another span with --from and --to"
        )
    found = compare_windows(home, material.windows, readings)
    lines = line_explanations(found.verdicts, found.end_ns, house, readings)
    if args.json:
        data = comparison_data(found) | {
            "note": material.note,
            "refused": [
                {"agent": r.agent, "target": r.target, "reason": _REASONS[r.fate], "packets": r.packets}
                for r in material.refused
            ],
            "agents": [msgspec.to_builtins(a) for a in material.agents],
            "line": [msgspec.to_builtins(line) for line in lines],
        }
        sys.stdout.write(json.dumps(data, indent=2) + "\n")
    else:
        sys.stdout.write(_text(found, lines, material.note))
        words = refusal_words(material.refused)
        sys.stdout.writelines(f"\n{agent}: {what}.\n" for agent, what in words.items())
    return 0
