"""The equipment part of `whichhop cabling`: for each device of the home, the narrow link on its way out."""

import math
from dataclasses import asdict, replace
from typing import Any

from whichhop.cabling.equipment import (
    Ceiling,
    Upgrade,
    bonded,
    ceilings,
    narrowest,
    on_the_way,
    role_words,
    upgrades,
)
from whichhop.cli.table import table
from whichhop.config.check import House
from whichhop.errors import DataError
from whichhop.model import PROVIDER_EDGE, Direction, ModemLevels, NodeKind
from whichhop.model.equipment import Box


def _boxes(house: House, reading: ModemLevels | None) -> dict[str, Box]:
    """The boxes by node; a reading tells what the modem bonds now, which goes before what it could."""
    if not house.boxes:
        raise DataError(
            f"{house.home.name}: describes no equipment; add equipment: with what each box can do "
            "(configs/cable-levels.yaml shows it)"
        )
    out = {box.node: box for box in house.boxes}
    if reading is not None:
        for name, box in out.items():
            if box.docsis is not None:
                out[name] = replace(box, docsis=bonded(reading, box.docsis.channel_mhz))
    return out


def _ways(house: House, boxes: dict[str, Box]) -> dict[str, tuple[Ceiling, ...]]:
    """For each host the ceilings it meets on its way out, nearest first."""
    out = {}
    for node in house.home.nodes.values():
        if node.kind is NodeKind.HOST:
            path = house.home.path(node.name, PROVIDER_EDGE)
            if path is not None:
                out[node.name] = on_the_way(path, boxes)
    return out


def _plan(house: House) -> tuple[float | None, float | None]:
    plan = house.home.plan
    return (None, None) if plan is None else (float(plan.down_bps), float(plan.up_bps))


def _finite(rate_bps: float) -> float | None:
    return None if math.isinf(rate_bps) else rate_bps


def _upgrade_data(upgrade: Upgrade) -> dict[str, Any]:
    data = asdict(upgrade)
    return {k: _finite(v) if isinstance(v, float) else v for k, v in data.items()}


def equipment_data(house: House, reading: ModemLevels | None) -> dict[str, Any]:
    """Ceilings and upgrades as JSON-ready data; a rate without a limit is null."""
    boxes = _boxes(house, reading)
    down, up = _plan(house)
    return {
        "ceilings": [asdict(c) for box in boxes.values() for c in ceilings(box)],
        "ways": {
            host: [_upgrade_data(u) for u in upgrades(way, down, up)]
            for host, way in _ways(house, boxes).items()
        },
        "all_in_one": [w for box in boxes.values() if (w := role_words(box))],
    }


def equipment_lines(house: House, reading: ModemLevels | None) -> list[str]:
    """The same for people."""
    boxes = _boxes(house, reading)
    down, up = _plan(house)
    rows = [
        (
            c.node,
            c.part,
            f"{c.down_bps / 1e6:.0f}"
            if c.usual_bps is None
            else f"{c.usual_bps / 1e6:.0f}-{c.down_bps / 1e6:.0f}",
            f"{c.up_bps / 1e6:.0f}",
            c.basis,
        )
        for box in boxes.values()
        for c in ceilings(box)
    ]
    lines = ["What each box lets through, Mbit/s:", "", table(("box", "part", "down", "up", "why"), rows), ""]
    for host, way in _ways(house, boxes).items():
        low, low_up = narrowest(way, Direction.DOWN), narrowest(way, Direction.UP)
        if low is None or low_up is None:
            continue
        lines.append(
            f"{host}: at best {low.down_bps / 1e6:.0f} Mbit/s down ({low.node}'s {low.part}), "
            f"{low_up.up_bps / 1e6:.0f} Mbit/s up ({low_up.node}'s {low_up.part})"
        )
        found = upgrades(way, down, up)
        lines += [f"  {u.words}." for u in found]
        if not found and down is not None:
            lines.append("  every box on its way carries the plan.")
    lines += [f"{w}." for box in boxes.values() if (w := role_words(box))]
    return lines
