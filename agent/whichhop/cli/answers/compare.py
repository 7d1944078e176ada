"""`whichhop compare`: collects what the agents measured and says which hop is at fault, and how surely."""

import argparse
import json
import sys
from collections.abc import Sequence

import msgspec
from msgspec import Struct

from whichhop.app.advice_of_home import line_explanations
from whichhop.app.agents.agents_fetch import SETTLED_NS
from whichhop.app.fleet import metrics_windows
from whichhop.app.live.refusals import REASONS, Refusal, refusal_words, refused_lately
from whichhop.app.stored.collect import Opened
from whichhop.app.stored.modem_now import modems_now
from whichhop.app.stored.store_windows import compared
from whichhop.cabling.explain import Explanation
from whichhop.cabling.level_readings import PREFIX, from_readings
from whichhop.cli.answers.compare_live import follow
from whichhop.cli.collecting import (
    add_source_arguments,
    add_span_arguments,
    nothing_measured,
    opened_for,
    shown_days,
    span_of,
    told_span,
)
from whichhop.cli.text import instant_text, many, moment_text, table, times_in
from whichhop.compare.comparison import Comparison, compare_windows, comparison_data
from whichhop.compare.windows.clocks import clock_words
from whichhop.compare.words import (
    NO_FAULT,
    NO_FAULT_HEARD,
    NO_FAULT_THEN,
    explain,
    felt_words,
    level_words,
    not_judged_words,
    not_measured_words,
    silent_words,
    since_words,
    timing_words,
)
from whichhop.config.check import House, read_house
from whichhop.errors import DataError, WhichhopError
from whichhop.model import PROVIDER_EDGE, Home, Reading, derive_sessions
from whichhop.model.figure_words import (
    ELSE_TOO_SHORT,
    TOO_LITTLE_YET,
    TOO_SHORT,
    how_long,
    listed,
    probability_words,
)
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S
from whichhop.net.clock import SystemClock
from whichhop.store.collect import Collected

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
    add_source_arguments(parser)
    add_span_arguments(parser)
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


def _modem_words(readings: Sequence[Reading], home: Home, at_ns: int) -> list[str]:
    """That a modem's levels are not as they should be, where no packet suffers by it yet."""
    amiss = [m for m in modems_now(from_readings(readings), home, at_ns) if m.amiss]
    return [f"\nThe levels of {m.node} are not as they should be. {m.headline}.\n" for m in amiss]


def _not_judged_words(found: Comparison) -> str:
    """Which agents were not judged for how long, longest first; empty where it was next to nothing."""
    told = [i for i in found.not_judged_s.items() if i[1] >= LEAST_ASIDE * found.span_s]
    if not told:
        return ""
    told.sort(key=lambda i: (-i[1], i[0]))
    names = ", ".join(f"{agent} {how_long(seconds)}" for agent, seconds in told[:NAMED])
    more = f" and {len(told) - NAMED} more" if len(told) > NAMED else ""
    return (
        f"Not judged, the agent having been busy, asleep or unreachable: {names}{more}, of"
        f" {how_long(found.span_s)}."
    )


def _text(found: Comparison, lines: Sequence[Explanation | None], note: str, file: str) -> str:
    head = (
        f"{found.home.name}: {instant_text(found.start_ns)} to {instant_text(found.end_ns)},"
        f" {many(len(found.sessions), 'session')}, {many(found.packets, 'packet')}"
    )
    aside = _not_judged_words(found)
    head += "".join(
        f"\n({words})"
        for words in (note, timing_words(found), clock_words(found.clocks_off_s), aside)
        if words
    )
    unmeasured = not_measured_words(
        [k for k in found.home.links if k.name in found.unmeasured],
        file,
        found.seldom,
        asked=found.asked_outside,
        unsent=found.unsent,
    )
    short = ELSE_TOO_SHORT if any(v.standing for v in found.verdicts) else TOO_SHORT
    levels = [level_words(v) for v in found.unusual] if found.levels else [short]
    silent = silent_words(found.to_look_at)
    felt = ["\n".join(felt_words(f)) for f in found.felt]
    if not found.verdicts:
        answer = NO_FAULT_HEARD if found.silent else NO_FAULT_THEN if aside else NO_FAULT
        if not found.levels:
            answer = TOO_LITTLE_YET
        if len(found.unmeasured) == len(found.home.links):
            answer, levels = not_judged_words(found.judged.table.step_ns / NS_PER_S), []
        return "\n\n".join(w for w in (head, answer, *silent, *felt, *levels, unmeasured) if w) + "\n"
    rows = [
        (
            since_words(v, moment_text(v.start_ns, found.span_s)),
            moment_text(v.end_ns, found.span_s) if v.end_ns is not None else "ongoing",
            v.cause + ("" if v.proven else " (not proven)"),
            " + ".join(v.elements),
            probability_words(v.probability),
        )
        for v in found.verdicts
    ]
    parts = [head, table(("since", "until", "cause", "where", "probability"), rows)]
    parts += [
        f"{moment_text(v.start_ns, found.span_s)}  " + "\n          ".join([*explain(v), *_line_words(line)])
        for v, line in zip(found.verdicts, lines, strict=True)
    ]
    parts += silent
    parts += felt
    parts += levels
    parts += [unmeasured] if unmeasured else []
    return "\n\n".join(parts) + "\n"


class _Answer(Struct, frozen=True, kw_only=True):
    """The comparison with what it stands on: readings of modems, how the agents answered, how coarse it
    is."""

    found: Comparison
    readings: list[Reading]
    agents: Sequence[Collected] = ()
    note: str = ""
    refused: Sequence[Refusal] = ()


def _from_store(args: argparse.Namespace, house: House) -> _Answer:
    """Records: those that are kept and collected now, or those of files."""
    with opened_for(args, house) as source:
        start, end = span_of(args, source)
        found = compared(source, house.home, start_ns=start, end_ns=end, told=shown_days())
        if found is None:
            raise nothing_measured(source, start, end)
        readings = list(source.store.readings_like(PREFIX, from_ns=start - NS_PER_MINUTE, to_ns=end))
        refused = refused_lately(source.store, house.home, source.open_records, end)
        note = _strangers_words(source, house.home, str(args.home))
        return _Answer(found=found, readings=readings, agents=source.agents, refused=refused, note=note)


def _strangers_words(source: Opened, home: Home, file: str) -> str:
    """Whose packets the files hold and this home file does not name, as after a renaming; else empty."""
    agents = {node.name for node in home.agents}
    targets = {s.key.target for s in derive_sessions(home)} | {*home.nodes, *home.peers, PROVIDER_EDGE}
    keys = source.store.sessions() if source.of_files else []
    names = [k.agent for k in keys if k.agent not in agents]
    names += [k.target for k in keys if k.agent in agents and k.target not in targets]
    if not names:
        return ""
    told = listed(list(dict.fromkeys(names))[:NAMED])
    return f"Not judged: packets of or to {told}, which the files hold and {file} does not name."


def _from_server(args: argparse.Namespace, house: House) -> _Answer:
    """Counts, from a server that scrapes the agents."""
    start, end = told_span(args, SystemClock().utc_ns() - SETTLED_NS)
    windows, readings, note = metrics_windows.windows_of_server(args, house.home, start, end)
    found = compare_windows(house.home, windows, readings)
    if found is None:
        raise DataError(
            f"the server has nothing of this home between {instant_text(start)} and {instant_text(end)};"
            " let it scrape the agents, or name another span with --from and --to"
        )
    return _Answer(found=found, readings=readings, note=note)


def _follow(args: argparse.Namespace, house: House) -> int:
    for option, given in (("from", args.start), ("to", args.end)):
        if given:
            raise WhichhopError(f"--follow judges what is measured from now on; leave --{option} out")
    if args.store is not None and args.store.with_suffix(".identity").exists():
        # What its agent writes half a minute late would be taken for all that it has measured.
        raise WhichhopError(
            f"--store {args.store}: an agent keeps its own records there; name another file, or leave it out"
        )
    return follow(args, house)


def run(args: argparse.Namespace) -> int:
    """Collect, judge, print. Exit code 0 whatever the verdict; 2 when nothing could be judged."""
    house = read_house(args.home)
    times_in(house.home)
    chosen = [f"--{n}" for n in ("prometheus", "records", "offline", "follow") if getattr(args, n)]
    if len(chosen) > 1:
        raise WhichhopError(f"{' and '.join(chosen)} exclude each other; give one")
    if args.follow:
        return _follow(args, house)
    answer = _from_server(args, house) if args.prometheus else _from_store(args, house)
    found = answer.found
    lines = line_explanations(found.verdicts, found.end_ns, house, answer.readings)
    if args.json:
        data = comparison_data(found) | {
            "note": answer.note,
            "refused": [
                {"agent": r.agent, "target": r.target, "reason": REASONS[r.fate], "packets": r.packets}
                for r in answer.refused
            ],
            "agents": [msgspec.to_builtins(a) for a in answer.agents],
            "line": [msgspec.to_builtins(line) for line in lines],
        }
        sys.stdout.write(json.dumps(data, indent=2) + "\n")
    else:
        sys.stdout.write(_text(found, lines, answer.note, str(args.home)))
        if not found.verdicts:
            sys.stdout.writelines(_modem_words(answer.readings, house.home, found.end_ns))
        words = refusal_words(answer.refused)
        sys.stdout.writelines(f"\n{agent}: {what}.\n" for agent, what in words.items())
    return 0
