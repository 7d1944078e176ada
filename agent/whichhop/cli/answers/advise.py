"""`whichhop advise`: what to do next, ranked by what the measurements say each step would give back."""

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import msgspec

from whichhop.advice.facts import HomeFacts
from whichhop.advice.rank import advise
from whichhop.advice.step import Recommendation, RecommendationKind, step_lines, step_words
from whichhop.app.advice_of_home import OF_LONG, known_home
from whichhop.app.agents.agents_fetch import DAY_NS
from whichhop.app.stored.collect import Opened
from whichhop.app.stored.store_windows import compared
from whichhop.cli.collecting import (
    add_source_arguments,
    add_span_arguments,
    opened_for,
    shown_days,
    span_of,
)
from whichhop.cli.text import many
from whichhop.compare.comparison import Comparison
from whichhop.compare.words import not_measured_words
from whichhop.config.check import House, read_house
from whichhop.model import Link, derive_sessions
from whichhop.model.figure_words import how_long, percent

EPILOG = """\
examples:
  whichhop advise alder.yaml
  whichhop advise alder.yaml --from 2026-03-01 --json
  whichhop advise alder.yaml --records evening/ --levels reading.json

Judges the span as `whichhop compare` does, and takes the newest transfers and levels in. What is about
an ongoing fault comes first, the cheapest before the dear; the rest is ranked by the share of the service
paid for that it would give back at most: of the plan's rate, or of the time.
What was never measured is not advised; the list ends with what to measure instead. Exit code 1 when there is
nothing to fix.
"""


NO_STEP = "Nothing that was measured calls for a change."
NOTHING_MEASURED = (
    "Nothing of this home was measured in that time, so that no fault is known and none is ruled out."
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The verb's arguments."""
    parser.epilog = EPILOG
    add_source_arguments(parser)
    add_span_arguments(parser)
    parser.add_argument(
        "--levels", type=Path, metavar="FILE", help="a modem's reading (`whichhop levels --json` printed it)"
    )
    parser.add_argument("--json", action="store_true", help="print data instead of text")


def _known(args: argparse.Namespace, house: House, source: Opened) -> tuple[HomeFacts, Comparison | None]:
    home, store = house.home, source.store
    start, end = span_of(args, source)
    found = compared(source, home, start_ns=start, end_ns=end, told=shown_days())
    levels = None
    if args.levels:
        from whichhop.cli.line.levels import take_reading
        from whichhop.model.levels_source import LevelsSource

        levels = (take_reading("modem", LevelsSource(file=str(args.levels))),)
    heard = set(found.sessions) if found else set()
    known = known_home(
        house,
        str(args.home),
        start_ns=found.start_ns if found else start,
        end_ns=found.end_ns if found else end,
        sessions=[s for s in derive_sessions(home) if not heard or s.key in heard],
        verdicts=found.verdicts if found else (),
        # Rates and levels hold for longer than a day: the newest ever count, each with its time.
        readings=[r for r in store.readings(to_ns=end) if r.name.startswith(OF_LONG)],
        levels=levels,
        notes=[note for note in store.notes().values() if note.at_ns <= end],
        felt=found.felt if found else (),
    )
    return known, found


def _lines(number: int, step: Recommendation) -> list[str]:
    first, *rest = step_lines(step)
    # What only tells gives nothing back by itself: its rank alone is by what it is about.
    gives = step.kind is RecommendationKind.FIX and step.worth >= 0.005
    share = f"  [gives back at most {percent(step.worth)} of what is paid for]" if gives else ""
    return [f"{number}. {first}{share}", *(f"   {w}" for w in rest), ""]


def _text(
    known: HomeFacts, steps: tuple[Recommendation, ...], unmeasured: Sequence[Link], found: Comparison | None
) -> str:
    span = f"{known.time(known.start_ns)} to {known.time(known.end_ns)}"
    lines = [
        f"{known.home.name}, {span}: {many(len(known.verdicts), 'verdict')}, "
        f"{many(len(known.rates), 'transfer')}, {'levels read' if known.levels else 'no levels read'}",
        "",
    ]
    if 0 < known.seconds < DAY_NS / 1e9:
        judged = how_long(known.seconds)
        lines += [f"Only {judged} were judged: shares of the time may change with a whole day.", ""]
    doing = [s for s in steps if s.kind is not RecommendationKind.MEASURE]
    if not doing:
        lines += [NO_STEP if found else NOTHING_MEASURED, ""]
    if unmeasured:
        seldom, asked, unsent = (
            (found.seldom, found.asked_outside, found.unsent) if found else ((), False, ())
        )
        lines += [not_measured_words(unmeasured, seldom=seldom, asked=asked, unsent=unsent), ""]
    if doing and doing[0].now:
        lines += ["About what is wrong now, the cheapest first:", ""]
    for number, step in enumerate(steps, 1):
        if not step.now and step in doing and number > 1 and steps[number - 2].now:
            lines += ["Besides:", ""]
        if step.kind is RecommendationKind.MEASURE and (
            number == 1 or steps[number - 2].kind is not RecommendationKind.MEASURE
        ):
            lines += ["Not known yet, so not advised:", ""]
        lines += _lines(number, step)
    return "\n".join(lines).rstrip() + "\n"


def step_data(step: Recommendation) -> dict[str, Any]:
    """A step as JSON-ready data, with its sentences under "words"."""
    data: dict[str, Any] = msgspec.to_builtins(step)
    return data | {"words": list(step_words(step))}


def run(args: argparse.Namespace) -> int:
    """Print the steps. Exit code 0 when one would mend or tell something, else 1."""
    house = read_house(args.home)
    with opened_for(args, house) as source:
        known, found = _known(args, house, source)
    unmeasured = [k for k in house.home.links if found is None or k.name in found.unmeasured]
    steps = advise(known)
    if args.json:
        data = {
            "home": known.home.name,
            "from_ns": known.start_ns,
            "to_ns": known.end_ns,
            "not_measured": [k.name for k in unmeasured],
            "too_seldom": list(found.seldom) if found else [],
            "steps": [step_data(s) for s in steps],
        }
        sys.stdout.write(json.dumps(data, indent=2) + "\n")
    else:
        sys.stdout.write(_text(known, steps, unmeasured, found))
    return 0 if any(s.kind is not RecommendationKind.MEASURE for s in steps) else 1
