"""`whichhop levels`: read the modem, judge its channels, and compare with an earlier reading."""

import argparse
import asyncio
import json
import shlex
import sys
import textwrap
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from msgspec import to_builtins

from whichhop.cabling.against_reading import LevelDifference, compare
from whichhop.cabling.judge_levels import Judgement, deltas_between
from whichhop.cabling.judge_modem import FIBRE_CAUTIONS, judge_modem
from whichhop.cabling.level_change import LevelChange, channel_row, level_changes
from whichhop.cabling.level_readings import from_readings
from whichhop.cabling.levels_summary import UNCOUNTED, WORD, Complaint, LevelsSummary, summary
from whichhop.cabling.rules import LevelStanding
from whichhop.cli.text import instant_text, table, times_in
from whichhop.config.check import House, read_house
from whichhop.errors import DataError
from whichhop.model import Channel, ModemLevels
from whichhop.model.levels_source import LevelsSource
from whichhop.model.units import NS_PER_S
from whichhop.net.clock import SystemClock
from whichhop.probes.levels import read_levels
from whichhop.store.interchange import time_text

EPILOG = """\
examples:
  whichhop levels configs/cable-levels.yaml
  whichhop levels HOME --json > before.json        (and after the change:)
  whichhop levels HOME --before before.json
  whichhop levels HOME --page saved.html

Says how the levels stand, then each kind of complaint once with the channel that is worst, then what was not
read; --all lists every channel. Shares of codewords need two readings: give an earlier one with --before, or
the agent's store with --store.
Exit code 0 when nothing is outside its limits, 1 when something is, 2 when the levels cannot be had.
"""
MOST_REMARKS = 3
WIDTH = 96
_BACK_NS = 24 * 3600 * NS_PER_S


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The verb's arguments."""
    parser.epilog = EPILOG
    parser.add_argument("home", type=Path, metavar="HOME", help="the home file (YAML)")
    parser.add_argument("--node", metavar="NAME", help="which modem, where the home has several")
    where = parser.add_mutually_exclusive_group()
    where.add_argument("--file", type=Path, metavar="FILE", help="read a CSV or JSON file instead")
    where.add_argument("--page", type=Path, metavar="FILE", help="read a saved status page instead")
    parser.add_argument("--before", type=Path, metavar="FILE", help="an earlier reading: what --json printed")
    parser.add_argument("--store", type=Path, metavar="FILE", help="an agent's store, for the reading before")
    parser.add_argument("--all", action="store_true", help="list every channel and every finding too")
    parser.add_argument("--json", action="store_true", help="print data instead of tables")


def source_of(house: House, node: str | None, file: Path | None) -> tuple[str, LevelsSource]:
    """Which modem is read and how; a file in its place keeps the home file's column map."""
    known = house.home.levels
    if node is not None and node not in known:
        raise DataError(
            f"--node {node}: the home file gives no levels there; use one of: {', '.join(known) or 'none'}"
        )
    if node is None and len(known) > 1:
        raise DataError(f"several modems: {', '.join(known)}; choose one with --node")
    name = node or next(iter(known), None)
    if file is not None:
        base = known[name] if name is not None else LevelsSource()
        return name or "modem", replace(base, snmp=None, page=None, login=None, file=str(file))
    if name is None:
        raise DataError(
            f"{house.home.name}: no node has levels; add levels: {{snmp: ADDRESS}}, {{page: URL}} or "
            "{file: PATH} to the modem, or give --file or --page"
        )
    return name, known[name]


def take_reading(node: str, source: LevelsSource) -> ModemLevels:
    """One reading now."""
    return asyncio.run(read_levels(node, source, SystemClock()))


def _before(args: argparse.Namespace, node: str, now: ModemLevels) -> ModemLevels | None:
    if args.before is not None:
        return take_reading(node, LevelsSource(file=str(args.before)))
    if args.store is not None:
        from whichhop.store.store import Store

        if not args.store.exists():
            raise DataError(f"--store {args.store}: no such file; give an agent's store")
        with Store.open(args.store, read_only=True) as store:
            found = list(store.readings(from_ns=now.at_ns - _BACK_NS, to_ns=now.at_ns + 1))
        kept = [r for r in from_readings(found) if r.node == node]
        earlier = [r for r in kept if r.at_ns < now.at_ns - NS_PER_S]
        return earlier[-1] if earlier else None
    return None


def as_data(
    *,
    now: ModemLevels,
    source: LevelsSource,
    judgement: Judgement,
    difference: LevelDifference | None,
    before: ModemLevels | None,
    changes: tuple[LevelChange, ...],
) -> dict[str, Any]:
    """The whole answer as JSON-ready data; `channels` and `at` are what --before and --file read."""
    short = summary(now, judgement, counted=before is not None)
    out: dict[str, Any] = {
        "node": now.node,
        "at": time_text(now.at_ns),
        "source": source.words,
        "standing": judgement.standing,
        "headline": short.headline,
        "complaints": [c.words for c in short.complaints],
        "not_read": list(short.not_read),
        "channels": [channel_row(c) for c in now.channels],
        "dsl": [to_builtins(line) for line in now.dsl],
        "receive_dbm": now.receive_dbm,
        "findings": [to_builtins(f) for f in judgement.findings],
        "remarks": list(now.remarks),
    }
    if difference is not None:
        out["against_cabling"] = to_builtins(difference)
    if before is not None:
        deltas = deltas_between(before, now).values()
        out["before"] = time_text(before.at_ns)
        out["codewords"] = [{**to_builtins(d), "uncorrectable_ratio": d.uncorrectable_ratio} for d in deltas]
        out["changes"] = [to_builtins(c) for c in changes]
    return out


def _cells(c: Channel) -> tuple[str, ...]:
    def show(value: float | None, form: str) -> str:
        return "" if value is None else format(value, form)

    mhz = None if c.frequency_hz is None else c.frequency_hz / 1e6
    locked = {True: "yes", False: "NO", None: ""}[c.locked]
    return (
        c.name,
        show(mhz, ".1f"),
        f"{c.carrier} {c.modulation_words}" if c.modulation else str(c.carrier),
        locked,
        show(c.power_dbmv, "+.1f"),
        show(c.mer_db, ".1f"),
        show(c.corrected, ","),
        show(c.uncorrectable, ","),
    )


def _lines(
    *,
    now: ModemLevels,
    source: LevelsSource,
    short: LevelsSummary,
    difference: LevelDifference | None,
    changes: tuple[LevelChange, ...],
    all_command: str,
) -> Iterator[str]:
    """The reading in one screen: the answer, complaints by kind, what they rest on."""
    yield f"{now.node}, read {instant_text(now.at_ns)} by {source.words}"
    yield f"{short.headline}."
    yield ""
    for one in short.complaints:
        yield from _complaint(one)
    yield from (f"Read: {words}." for words in short.figures)
    if short.not_read:
        yield f"Not read: {', '.join(short.not_read)}."
    if short.unknown_columns:
        yield f"Columns of the page that are not known: {', '.join(short.unknown_columns)}."
        yield "To have one read, name it in the home file, at the modem's levels: columns: {snr: HEADING}."
    if short.uncounted and short.complaints:
        yield f"{UNCOUNTED.capitalize()}: --before FILE or --store FILE."
    if now.receive_dbm is not None and short.complaints:
        yield from (f"! {c}" for c in FIBRE_CAUTIONS)
    if difference is not None and now.channels:
        yield f"Against the cable run: {difference.words}."
    yield from (f"Since the reading before: {c.words}." for c in changes)
    yield from (f"Note: {r}" for r in now.remarks[:MOST_REMARKS])
    if (more := len(now.remarks) - MOST_REMARKS) > 0:
        yield f"Note: {more} more like these"
    if all_command:
        yield f"Every channel: {all_command}"


def _complaint(one: Complaint) -> Iterator[str]:
    """What is wrong, and below it what is wanted and what such a value usually means."""
    yield f"{WORD[one.standing]:<10}{one.short}"
    if one.worst.wanted:
        means = f": {one.worst.means}" if one.worst.means else ""
        words = f"wanted {one.worst.wanted} ({one.worst.source}){means}."
        yield from textwrap.wrap(words, WIDTH, initial_indent=" " * 10, subsequent_indent=" " * 10)


def _every_channel(now: ModemLevels, judgement: Judgement) -> str:
    head = ("channel", "MHz", "carrier", "locked", "dBmV", "SNR dB", "corrected", "uncorrectable")
    lines = ["", table(head, [_cells(c) for c in now.channels])] if now.channels else [""]
    # Two rules with one value say the same words.
    lines += dict.fromkeys(f"{WORD[f.standing]}: {f.words}" for f in judgement.findings)
    return "\n".join(lines)


def _same(args: argparse.Namespace) -> list[str]:
    """The options that were given, to be given again."""
    given = (("--node", args.node), ("--file", args.file), ("--page", args.page), ("--before", args.before))
    return [
        word for option, value in (*given, ("--store", args.store)) if value for word in (option, str(value))
    ]


def run(args: argparse.Namespace) -> int:
    """Read, judge, print."""
    house = read_house(args.home)
    times_in(house.home)
    node, source = source_of(house, args.node, args.file or args.page)
    now = take_reading(node, source)
    before = _before(args, node, now)
    judgement = judge_modem(now, before, house.home.plan)
    difference = compare(house.run, now.channels) if house.run is not None else None
    changes = level_changes([before], [now]) if before is not None else ()
    if args.json:
        data = as_data(
            now=now,
            source=source,
            judgement=judgement,
            difference=difference,
            before=before,
            changes=changes,
        )
        sys.stdout.write(json.dumps({"home": house.home.name, **data}, indent=2) + "\n")
    else:
        again = ["whichhop", "levels", str(args.home), *_same(args), "--all"]
        lines = _lines(
            now=now,
            source=source,
            short=summary(now, judgement, counted=before is not None),
            difference=difference,
            changes=changes,
            all_command="" if args.all else shlex.join(again),
        )
        text = "\n".join(lines)
        sys.stdout.write((text + _every_channel(now, judgement) if args.all else text) + "\n")
    return 1 if judgement.standing is LevelStanding.OUTSIDE else 0
