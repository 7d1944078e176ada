"""`python -m standing.priors`: every prior with its source, and what changes when it is halved or doubled.

The same homes each time: healthy ones that have the kind, and ones whose fault is the kind's, after ten
minutes. "4/4 0/4" reads: four of four faults named rightly, none of four healthy homes blamed.
"""

import argparse
import sys
import zlib
from collections.abc import Mapping

import numpy as np
from msgspec.structs import replace

from standing.cases import FAULT_SHAPES, Case, fault, healthy
from standing.play import judge
from whichhop.compare.standing import columns, usual, verdicts
from whichhop.compare.standing.columns import FAULT_PRIOR
from whichhop.compare.standing.usual import ElementKind, Feature, UsualLevels

FACTORS = (0.5, 1.0, 2.0)
CASE_KINDS: Mapping[ElementKind, str] = {
    ElementKind.ETHERNET: "ethernet",
    ElementKind.FORWARDING: "forwarding",
    ElementKind.HOST: "host",
    ElementKind.WIFI: "wi-fi",
    ElementKind.RADIO_BACKHAUL: "radio-backhaul",
    ElementKind.COAX: "coax",
    ElementKind.POWER_LINE: "power-line",
    ElementKind.CABLE: "cable",
    ElementKind.DSL: "dsl",
    ElementKind.FIBRE: "fibre",
    ElementKind.FIXED_WIRELESS: "fixed-wireless",
    ElementKind.SATELLITE: "satellite",
    ElementKind.BEYOND: "beyond",
    ElementKind.DESTINATION: "destination",
    ElementKind.AIR: "air",
}
SHAPES = tuple(s for s in FAULT_SHAPES if s != "both")
ORIGINAL = dict(usual.USUAL)


def scaled(kind: ElementKind, factor: float) -> Mapping[ElementKind, UsualLevels]:
    """The table with one kind's medians multiplied."""
    row = ORIGINAL[kind]
    parts = {n: getattr(row, n) for n in ("level", "tail", "loss", "late")}
    changed = replace(row, **{n: replace(s, median=s.median * factor) for n, s in parts.items()})
    return {**ORIGINAL, kind: changed}


def use(table: Mapping[ElementKind, UsualLevels]) -> None:
    """Let the comparer believe this table."""
    usual.USUAL = columns.USUAL = verdicts.USUAL = table


def cases_of(kind: str, each: int) -> tuple[list[Case], list[Case]]:
    """Faults of a kind, its shapes in turn, and healthy homes that have it; small homes, for speed."""
    shape = "mesh" if kind in ("radio-backhaul", "coax", "power-line", "air") else "desk"
    shapes = [s for s in SHAPES if not (kind in ("beyond", "destination") and s == "steady")]
    code = zlib.crc32(kind.encode())
    faults = [
        fault(np.random.default_rng([n, code]), kind, shapes[n % len(shapes)], shape) for n in range(each)
    ]
    well = [healthy(np.random.default_rng([n, code, 1]), shape, kind) for n in range(each)]
    return faults, well


def outcome(faults: list[Case], well: list[Case]) -> str:
    """How many faults were named rightly, and how many healthy homes were blamed."""
    right = sum({i.element for i in c.ills} <= frozenset[str]().union(*judge(c, 600).named) for c in faults)
    blamed = sum(bool(judge(c, 600).named) for c in well)
    return f"{right}/{len(faults)} {blamed}/{len(well)}"


def row_of(kind: ElementKind) -> str:
    """A kind's prior in words: median and log spread of each figure, harm lines, prior of a fault."""
    u = ORIGINAL[kind]
    ms = [f"{s.median * 1e3:g} / {s.log_sd:g}" for s in (u.level, u.tail)]
    shares = [f"{s.median:g} / {s.log_sd:g}" for s in (u.loss, u.late)]
    harm = (
        f"{u.harm[Feature.LEVEL] * 1e3:g} ms, {u.harm[Feature.TAIL] * 1e3:g} ms, {u.harm[Feature.LOSS]:g},"
        f" {u.harm[Feature.LATE]:g}"
        if u.harm
        else "none"
    )
    return " | ".join([str(kind), *ms, *shares, harm, f"{FAULT_PRIOR[kind]:g}"])


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="standing.priors")
    parser.add_argument("--cases", type=int, default=4, help="faults and healthy homes of every kind")
    args = parser.parse_args()
    head = ("kind", "level ms", "tail ms", "loss", "late share", "harm lines", "fault", "halved", "as it is")
    print(f"| {' | '.join((*head, 'doubled', 'source'))} |")
    print("|---" * (len(head) + 2) + "|")
    for kind, row in ORIGINAL.items():
        effects = ["-"] * 3
        if kind in CASE_KINDS:
            faults, well = cases_of(CASE_KINDS[kind], args.cases)
            for place, factor in enumerate(FACTORS):
                use(scaled(kind, factor))
                effects[place] = outcome(faults, well)
            use(ORIGINAL)
        print(f"| {row_of(kind)} | {' | '.join(effects)} | {row.source} |")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
