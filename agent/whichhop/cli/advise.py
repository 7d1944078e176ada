"""`whichhop advise`: what to do next, ranked by what the measurements say each step would give back."""

import argparse
import json
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import msgspec

from whichhop.advice.known import Known, time_words
from whichhop.advice.rank import advise
from whichhop.advice.step import Kind, Step, lasting_words, step_words
from whichhop.app.advice_of_home import OF_LONG, known_home
from whichhop.app.agent_addresses import DAY_NS, SETTLED_NS
from whichhop.app.store_windows import windows_of_store
from whichhop.cli.collecting import ask_agents, import_files
from whichhop.cli.span import told_span
from whichhop.compare.comparison import compare_windows
from whichhop.config.check import House, read_house
from whichhop.daemon.options import default_store
from whichhop.errors import WhichhopError
from whichhop.model import Record, derive_sessions
from whichhop.model.units import NS_PER_MINUTE
from whichhop.net.clock import SystemClock
from whichhop.store.store import Store

EPILOG = """\
examples:
  whichhop advise alder.yaml
  whichhop advise alder.yaml --from 2026-03-01 --json
  whichhop advise alder.yaml --records evening/ --levels reading.json

Judges the span as `whichhop compare` does, takes the newest transfers and levels in, and ranks what could be
done by the share of the service paid for that it would give back at most: of the plan's rate, or of the time.
What was never measured is not advised; the list ends with what to measure instead. Exit code 1 when there is
nothing to mend.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The verb's arguments."""
    parser.epilog = EPILOG
    parser.add_argument("home", type=Path, metavar="HOME", help="the home file (YAML)")
    parser.add_argument("--from", dest="start", metavar="TIME", help="begin (default: a day before the end)")
    parser.add_argument("--to", dest="end", metavar="TIME", help="end (default: now)")
    parser.add_argument("--key", type=Path, metavar="FILE", help="the key file (default: HOME's name, .key)")
    parser.add_argument("--store", type=Path, metavar="FILE", help="where collected records are kept")
    parser.add_argument("--offline", action="store_true", help="ask no agent; use what is kept already")
    parser.add_argument("--records", type=Path, metavar="DIR", help="use the *.jsonl files there instead")
    parser.add_argument(
        "--levels", type=Path, metavar="FILE", help="a modem's reading (`whichhop levels --json` printed it)"
    )
    parser.add_argument("--json", action="store_true", help="print data instead of text")


def _known(args: argparse.Namespace, house: House, store: Store, extra: Sequence[Record]) -> Known:
    home = house.home
    kept = store.span()
    latest = SystemClock().utc_ns() - SETTLED_NS
    if (args.records or args.offline) and kept:
        latest = min(latest, (kept[1] + 1) * NS_PER_MINUTE)
    start, end = told_span(args, latest)
    windows = windows_of_store(store.db.path, home, start_ns=start, end_ns=end, extra=extra)
    readings = list(store.readings(from_ns=start - NS_PER_MINUTE, to_ns=end))
    found = None if windows is None else compare_windows(home, windows, readings)
    levels = None
    if args.levels:
        from whichhop.cli.levels import take_reading
        from whichhop.model.levels_source import LevelsSource

        levels = (take_reading("modem", LevelsSource(file=str(args.levels))),)
    heard = set(found.windows.sessions) if found else set()
    return known_home(
        house,
        str(args.home),
        start_ns=found.start_ns if found else start,
        end_ns=found.end_ns if found else end,
        sessions=[s for s in derive_sessions(home) if not heard or s.key in heard],
        verdicts=found.verdicts if found else (),
        # Rates and levels hold for longer than a day: the newest ever count, each with its time.
        readings=[r for r in store.readings(to_ns=end) if r.name.startswith(OF_LONG)],
        levels=levels,
    )


def _lines(number: int, step: Step) -> list[str]:
    first, *rest = step_words(step)
    share = f"  [gives back at most {step.worth:.0%} of what is paid for]" if step.worth >= 0.005 else ""
    return [
        f"{number}. {first}{share}",
        *(f"   {w}" for w in rest),
        *(f"   ! {c}" for c in step.cautions),
        "",
    ]


def _many(count: int, what: str) -> str:
    return f"{count} {what}" + ("" if count == 1 else "s")


def _text(known: Known, steps: tuple[Step, ...]) -> str:
    span = f"{time_words(known.start_ns)} to {time_words(known.end_ns)}"
    lines = [
        f"{known.home.name}, {span}: {_many(len(known.verdicts), 'verdict')}, "
        f"{_many(len(known.rates), 'transfer')}, {'levels read' if known.levels else 'no levels read'}",
        "",
    ]
    if 0 < known.seconds < DAY_NS / 1e9:
        judged = lasting_words(known.seconds)
        lines += [f"Only {judged} were judged: shares of the time may change with a whole day.", ""]
    doing = [s for s in steps if s.kind is not Kind.MEASURE]
    if not doing:
        lines += ["Nothing that was measured calls for a change.", ""]
    for number, step in enumerate(steps, 1):
        if step.kind is Kind.MEASURE and (number == 1 or steps[number - 2].kind is not Kind.MEASURE):
            lines += ["Not known yet, so not advised:", ""]
        lines += _lines(number, step)
    return "\n".join(lines).rstrip() + "\n"


def step_data(step: Step) -> dict[str, Any]:
    """A step as JSON-ready data, with its sentences under "words"."""
    data: dict[str, Any] = msgspec.to_builtins(step)
    return data | {"words": list(step_words(step))}


def run(args: argparse.Namespace) -> int:
    """Print the steps. Exit code 0 when one would mend or tell something, else 1."""
    house = read_house(args.home)
    if args.records and args.offline:
        raise WhichhopError("--records and --offline exclude each other; give one")
    with tempfile.TemporaryDirectory() as passing:
        kept = args.store or default_store(f"{args.home.stem}.collected")
        path = Path(passing) / "records.db" if args.records else kept
        with Store.make(path) as store:
            extra: list[Record] = []
            if args.records:
                import_files(args.records, store)
            elif not args.offline:
                _, extra = ask_agents(args, house.home, store)
            known = _known(args, house, store, extra)
    steps = advise(known)
    if args.json:
        data = {
            "home": known.home.name,
            "from_ns": known.start_ns,
            "to_ns": known.end_ns,
            "steps": [step_data(s) for s in steps],
        }
        sys.stdout.write(json.dumps(data, indent=2) + "\n")
    else:
        sys.stdout.write(_text(known, steps))
    return 0 if any(s.kind is not Kind.MEASURE for s in steps) else 1
