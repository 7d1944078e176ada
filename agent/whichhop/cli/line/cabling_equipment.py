"""The equipment parts of `whichhop cabling`: each device's narrow link; what owning the boxes pays."""

import math
from typing import Any

from msgspec import to_builtins
from msgspec.structs import replace

from whichhop.advice.separated_box import CAUTION, separated_boxes
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
from whichhop.cabling.rates import months_to_pay, needed
from whichhop.cli.text import table
from whichhop.config.check import House
from whichhop.errors import DataError
from whichhop.model import PROVIDER_EDGE, Direction, LinkKind, ModemLevels, NodeKind
from whichhop.model.cable_run import Box

COSTS = (
    "It costs a second box with its own power supply and place, and the provider may support"
    " only its own: ask"
    " before buying which modems are approved, and whether telephone or television hang on the rented box."
)


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
    data = to_builtins(upgrade)
    return {k: _finite(v) if isinstance(v, float) else v for k, v in data.items()}


def equipment_data(house: House, reading: ModemLevels | None) -> dict[str, Any]:
    """Ceilings and upgrades as JSON-ready data; a rate without a limit is null."""
    boxes = _boxes(house, reading)
    down, up = _plan(house)
    return {
        "ceilings": [to_builtins(c) for box in boxes.values() for c in ceilings(box)],
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


def _months(price: float | None, rental: float | None) -> int | None:
    if price is None and rental is None:
        return None
    if price is None or rental is None:
        missing = "--price" if price is None else "--rental"
        raise DataError(f"{missing}: missing; give what own equipment costs and what renting costs a month")
    for option, value in (("--price", price), ("--rental", rental)):
        if not 0 < value < 1e6:
            raise DataError(
                f"{option} {value:g}: no price; give an amount of money over 0, without its currency"
            )
    return months_to_pay(price, rental)


def own_data(house: House, price: float | None, rental: float | None) -> dict[str, Any]:
    """Everything as JSON-ready data."""
    home = house.home
    medium = next((k.medium for k in home.links if k.kind is LinkKind.ACCESS), None)
    return {
        "needed": [to_builtins(n) for n in needed(home.plan, medium)] if home.plan else [],
        "separated": [to_builtins(s) for s in separated_boxes(home)],
        "months_to_pay": _months(price, rental),
    }


def own_lines(house: House, price: float | None, rental: float | None) -> list[str]:
    """The same for people."""
    home = house.home
    medium = next((k.medium for k in home.links if k.kind is LinkKind.ACCESS), None)
    months = _months(price, rental)
    lines = ["Equipment of your own:", ""]
    if home.plan is None:
        lines.append("Which generation is needed: add plan: with its rates to the home file.")
    else:
        rates = f"{home.plan.down_bps / 1e6:g} Mbit/s downstream, {home.plan.up_bps / 1e6:g} upstream"
        lines.append(f"For the plan ({rates}), the oldest generation that carries it:")
        lines += [f"- {n.words}" for n in needed(home.plan, medium)]
    for one in separated_boxes(home):
        lines += ["", f"{one.node} is an all-in-one box. {one.words}.", COSTS, f"! {CAUTION}"]
    if months is not None:
        years = f" ({months / 12:.1f} years)" if months >= 24 else ""
        lines += [
            "",
            f"At {rental:g} a month for renting, equipment for {price:g} pays after {months}"
            f" month{'s' if months != 1 else ''}{years}; returning the rented box is what ends the fee.",
        ]
    else:
        lines += ["", "When it pays: give --rental with the monthly fee and --price with what it would cost."]
    return lines
