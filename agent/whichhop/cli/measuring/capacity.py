"""`whichhop capacity`: what transfers so far say of each link, the narrow one of each room, and the plan."""

import argparse
import json
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from msgspec import to_builtins

from whichhop.app.advice_of_home import link_ceilings
from whichhop.cabling.rates import RADIO_REAL
from whichhop.capacity.links import capacities, lowest, narrow_links, narrow_words, observed_ceilings
from whichhop.capacity.plan import (
    Delivery,
    PlanAnswer,
    by_hour,
    contradicted,
    delivery_words,
    news_words,
    upstream_tests,
)
from whichhop.capacity.transfers import measured_of
from whichhop.cli.collecting import opened_for
from whichhop.cli.text import table
from whichhop.config.check import read_house
from whichhop.errors import DataError
from whichhop.model.figure_words import zone_of

EPILOG = """\
examples:
  whichhop capacity alder.yaml
  whichhop capacity alder.yaml --hours 1

Collects the results of past transfers (`whichhop transfer`) from every agent, then says what each link
usually carries, which link is the narrow one on each agent's path to the internet, and whether the plan is
delivered, by hour of the day. All transfers count, not the newest alone. A test says something about the
line only when nothing narrower lay on its way: made by cable, or over links that were seen to carry more.
Rates are TCP payload. "Delivered" and "not delivered" are wrong for at most one direction in twenty.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The verb's arguments."""
    parser.epilog = EPILOG
    parser.add_argument("home", type=Path, metavar="HOME", help="the home file (YAML)")
    parser.add_argument("--key", type=Path, metavar="FILE", help="the key file (default: HOME's name, .key)")
    parser.add_argument("--store", type=Path, metavar="FILE", help="where collected records are kept")
    parser.add_argument("--offline", action="store_true", help="ask no agent; use what is kept already")
    parser.add_argument(
        "--hours",
        type=int,
        choices=range(1, 25),
        metavar="N",
        help="judge the plan by parts of the day of N hours (default: as short as the tests allow)",
    )
    parser.add_argument("--json", action="store_true", help="print data instead of text")


def _mb(rate_bps: float | None) -> str:
    return "not known" if rate_bps is None else f"{rate_bps / 1e6:.1f} Mbit/s"


def _worth_telling(parts: Sequence[Delivery]) -> Iterator[Delivery]:
    """The whole day unless it is told on top, and parts of it that say more than the whole does."""
    whole, *some = parts
    if whole not in contradicted({whole.way: (whole,)}):
        yield whole
    for part in some:
        decided = part.answer is not PlanAnswer.OPEN and part.answer is not whole.answer
        if decided or (whole.answer is PlanAnswer.OPEN and part.tests):
            yield part


def run(args: argparse.Namespace) -> int:
    """Print what is known of every link."""
    house = read_house(args.home)
    home = house.home
    with opened_for(args, house) as source:
        readings = [
            r for r in source.store.readings() if r.name.partition("_")[0] in ("transfer", "port", "radio")
        ]
    measured = measured_of(readings)
    if not measured:
        raise DataError("no transfer has been made yet; make one: whichhop transfer HOME A B")
    observed = observed_ceilings(home, readings, radio_share=RADIO_REAL)
    known = capacities(home, measured, lowest(link_ceilings(house), observed))
    narrow = narrow_links(home, known)
    plan: dict[str, tuple[Delivery, ...]] = {}
    if home.plan is not None:
        tests = upstream_tests(home, readings, known)
        plan = dict(by_hour(tests, home.plan, zone_of(home), hours=args.hours))
    news = [news_words(d) for d in contradicted(plan)]
    if args.json:
        data: dict[str, Any] = {
            "news": news,
            "links": [to_builtins(c) for c in known.values()],
            "narrow": [to_builtins(n) | {"words": narrow_words(n)} for n in narrow],
            "plan": {
                w: [to_builtins(d) | {"words": delivery_words(d)} for d in ds] for w, ds in plan.items()
            },
        }
        sys.stdout.write(json.dumps(data, indent=2) + "\n")
        return 0
    rows = [(c.link, c.way, _mb(c.low_bps or None), _mb(c.high_bps), c.basis) for c in known.values()]
    lines = [*news, *[""] * bool(news)]
    lines += [table(("link", "way", "usually carries", "at most", "by"), rows), ""]
    lines += [narrow_words(n) for n in narrow]
    lines += ["", *(f"{delivery_words(d)}." for ds in plan.values() for d in _worth_telling(ds))]
    sys.stdout.write("\n".join(lines) + "\n")
    return 0
