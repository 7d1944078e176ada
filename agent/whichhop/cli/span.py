"""The span that --from and --to name, for every verb that judges one."""

import argparse

from whichhop.app.agent_addresses import DAY_NS
from whichhop.cli.times import parse_time
from whichhop.compare.windows.table import TICK_NS
from whichhop.errors import DataError


def told_span(args: argparse.Namespace, latest_ns: int) -> tuple[int, int]:
    """From and to in UTC ns: to the last whole window by `latest_ns`, from a day before, unless told."""
    end = parse_time(args.end, "--to", latest_ns - latest_ns % TICK_NS)
    start = parse_time(args.start, "--from", end - DAY_NS)
    if start >= end:
        raise DataError(f"--to {args.end} is not after --from {args.start}; swap them")
    return start, end
