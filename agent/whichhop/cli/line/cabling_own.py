"""The own-equipment part of `whichhop cabling`: what the plan needs, what separating tells, when it pays."""

from dataclasses import asdict
from typing import Any

from whichhop.advice.separated_box import CAUTION, separated_boxes
from whichhop.cabling.generation import months_to_pay, needed
from whichhop.config.check import House
from whichhop.errors import DataError
from whichhop.model import LinkKind

COSTS = (
    "It costs a second box with its own power supply and place, and the provider may support"
    " only its own: ask"
    " before buying which modems are approved, and whether telephone or television hang on the rented box."
)


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
        "needed": [asdict(n) for n in needed(home.plan, medium)] if home.plan else [],
        "separated": [asdict(s) for s in separated_boxes(home)],
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
