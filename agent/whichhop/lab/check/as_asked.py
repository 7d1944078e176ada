"""What the self-check measures and how it judges: no run counts in a home unlike what was asked."""

import math
from collections.abc import Iterable, Mapping
from typing import Any

from whichhop.lab.build.plan import BuildPlan, nature_of
from whichhop.lab.links.impairment import combine, rate_of
from whichhop.lab.scenario import FaultWay, LinkNature, Scenario

DELAY_SLACK_S = 0.0015
"""Common allowance for this machine: the relay's own error is under 0.3 ms, unless real time was refused."""
RATE_SLACK = 0.08
"""A short blast through a token bucket reads within a few per cent; far off means unshaped."""
SIGMAS = 4.5
LOSSY_PACKETS, CLEAN_PACKETS = 400, 40


def jobs(scenario: Scenario, plan: BuildPlan, spaces: Mapping[str, int]) -> list[dict[str, Any]]:
    """One job per link and direction, as lab/check/streams wants them."""
    out = []
    for name, wire in plan.wires.items():
        nature = nature_of(scenario, name)
        addresses = plan.addressing.on(wire.link).addresses
        for way in (FaultWay.UP, FaultWay.DOWN):
            sender, receiver = wire.sender(way).node, wire.receiver(way).node
            out.append(
                {
                    "name": f"{name} {way}",
                    "from_fd": spaces[sender],
                    "to_fd": spaces[receiver],
                    "from_address": str(addresses[sender][0]),
                    "to_address": str(addresses[receiver][0]),
                    "count": LOSSY_PACKETS if nature.loss_ratio else CLEAN_PACKETS,
                    "rate_bps": rate_of(nature, (), way),
                }
            )
    return out


def complaints(scenario: Scenario, found: Mapping[str, Mapping[str, Any]]) -> Iterable[str]:
    """One line for each figure that is not as asked, naming link, direction, figure and both values."""
    for full, seen in found.items():
        nature, way = _asked(scenario, full)
        asked = combine(nature, (), way)
        sent, came = int(seen["sent"]), int(seen["came"])
        spread = SIGMAS * math.sqrt(sent * asked.loss_ratio * (1 - asked.loss_ratio))
        expected = sent * (1 - asked.loss_ratio)
        # One lost packet of a clean link is already wrong: nothing else may drop here.
        if abs(came - expected) > spread:
            yield f"{full}: {came} of {sent} packets came where about {expected:.0f} should"
            continue
        delays = sorted(seen["delays_ns"])
        # The least delay is free of jitter and of this machine's noise; the lower quartile shows a shift.
        least, quartile = delays[0] / 1e9, delays[len(delays) // 4] / 1e9
        low, high = nature.delay_s, nature.delay_s + nature.jitter_s + DELAY_SLACK_S
        if least < low - 1e-4 or quartile > high:
            yield (
                f"{full}: delays from {least * 1e3:.2f} ms, lower quartile {quartile * 1e3:.2f} ms, "
                f"where {low * 1e3:.2f} to {high * 1e3:.2f} ms was asked"
            )
        rate = rate_of(nature, (), way)
        if "rate_bps" in seen and rate is not None:
            got = seen["rate_bps"]
            if got is None or abs(got / rate - 1) > RATE_SLACK:
                shown = "nothing" if got is None else f"{got / 1e6:.1f} Mbit/s"
                yield f"{full}: {shown} passed where {rate / 1e6:.1f} Mbit/s was asked"


def _asked(scenario: Scenario, full: str) -> tuple[LinkNature, FaultWay]:
    """What a job's name stands for: how its link was asked to be, and the direction."""
    name, _, word = full.rpartition(" ")
    return nature_of(scenario, name), FaultWay(word)


def falls_short(scenario: Scenario, found: Mapping[str, Mapping[str, Any]]) -> bool:
    """Whether a link passed less than its rate, as one does whose queue the machine wakes too late."""
    for full, seen in found.items():
        nature, way = _asked(scenario, full)
        rate = rate_of(nature, (), way)
        got = seen.get("rate_bps")
        if rate is not None and got is not None and got < rate * (1 - RATE_SLACK):
            return True
    return False
