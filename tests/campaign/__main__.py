"""One command, one table: `tests/run campaign [--quick] [--only FAULT] [--json FILE] [--endure MINUTES]`."""

import argparse
import json
import sys
import tempfile
import traceback
from collections.abc import Callable
from pathlib import Path

from msgspec import to_builtins

from campaign import faults_of_disk, faults_of_home
from campaign.endurance import HEAD, Hour, endure, row
from campaign.house import House, house, network
from campaign.outcome import Outcome, table
from support.namespaces import Path4

Fault = Callable[[House, bool], Outcome]
FAULTS: dict[str, Fault] = {
    f.__name__.replace("_", "-"): f
    for f in (
        faults_of_disk.nothing,
        faults_of_disk.kills,
        faults_of_disk.kills_a_minute,
        faults_of_disk.cut_store,
        faults_of_disk.cut_store_running,
        faults_of_disk.cut_log,
        faults_of_disk.removed_store,
        faults_of_disk.full_disk,
        faults_of_disk.read_only_disk,
        faults_of_disk.dead_children,
        faults_of_home.clock_steps,
        faults_of_home.daylight,
        faults_of_home.suspended,
        faults_of_home.link_flaps,
        faults_of_home.other_address,
        faults_of_home.renumbering,
        faults_of_home.router_reboot,
        faults_of_home.resolver_gone,
        faults_of_home.other_version,
        faults_of_home.drips,
    )
}
QUICK = ("read-only-disk", "clock-steps", "suspended", "renumbering")
"""Half a minute in all: one each of disk, clock, machine and network."""


def inject(name: str, path: Path4, quick: bool) -> Outcome:
    """One fault in a home of its own; whatever goes wrong in it is a row too."""
    with tempfile.TemporaryDirectory(prefix="campaign-") as folder, house(path, Path(folder) / name) as made:
        try:
            return FAULTS[name](made, quick)
        except Exception as trouble:  # noqa: BLE001 - a fault that breaks the campaign off is a finding
            sys.stderr.write(traceback.format_exc() + made.log("desk")[-2_000:])
            return Outcome(
                fault=name,
                injected=1,
                survived=False,
                due=0,
                lost=0,
                most_lost_s=0.0,
                invented=0,
                told=f"the campaign broke off: {trouble!r}"[:300],
            )


def main() -> int:
    parser = argparse.ArgumentParser(prog="tests/run campaign", description=__doc__)
    parser.add_argument(
        "--quick", action="store_true", help="the four faults that run among the ordinary tests"
    )
    parser.add_argument("--only", action="append", default=[], choices=sorted(FAULTS), metavar="FAULT")
    parser.add_argument(
        "--endure", type=float, default=0.0, metavar="MINUTES", help="an hour a minute, so long"
    )
    parser.add_argument("--json", type=Path, metavar="FILE", help="the table as data")
    args = parser.parse_args()
    names = args.only or (QUICK if args.quick else () if args.endure else tuple(FAULTS))
    rows: list[Outcome] = []
    with network() as path:
        for name in names:
            rows.append(inject(name, path, args.quick))
            sys.stderr.write(f"{name}: {'as it should be' if rows[-1].passed else 'NOT as it should be'}\n")
        hours: list[Hour] = []
        for hour in endure(path, args.endure) if args.endure else ():
            sys.stdout.write(f"{row(hour)}\n" if hours else f"{HEAD}\n{row(hour)}\n")
            sys.stdout.flush()
            hours.append(hour)
    if rows:
        sys.stdout.write(table(rows) + "\n")
    if args.json:
        data = {"faults": [to_builtins(r) for r in rows], "hours": [to_builtins(h) for h in hours]}
        args.json.write_text(json.dumps(data, indent=2) + "\n")
    return 0 if all(r.passed for r in rows) else 1


if __name__ == "__main__":
    raise SystemExit(main())
