"""Which box is the narrow link against the plan, and what one upgrade would open."""

import math
from collections.abc import Mapping, Sequence
from enum import StrEnum

from msgspec import Struct

from whichhop.cabling import rates
from whichhop.model.cable_run import Box, Docsis, Radio
from whichhop.model.channel import MULTI_CARRIER, Carrier, Direction, ModemLevels
from whichhop.model.home import Path
from whichhop.model.links import LinkKind, Medium


class Via(StrEnum):
    """Through which of a box's sides the packets go that a ceiling holds."""

    LINE = "line"
    PORT = "port"
    RADIO = "radio"
    ADAPTER = "adapter"


class Ceiling(Struct, frozen=True, kw_only=True):
    """The most that one part of a box lets through, bit/s; usual_bps is the poor end where it varies."""

    node: str
    part: str
    via: Via
    down_bps: float
    up_bps: float
    basis: str
    usual_bps: float | None = None


class Upgrade(Struct, frozen=True, kw_only=True):
    """What replacing one part would open. after_*: the new narrowest ceiling; next_narrow: whose it is."""

    node: str
    part: str
    before_down_bps: float
    after_down_bps: float
    before_up_bps: float
    after_up_bps: float
    next_narrow: str
    words: str


def _docsis(box: Box, docsis: Docsis) -> Ceiling:
    down = docsis.down_channels * rates.DOWN_CHANNEL_BPS[docsis.channel_mhz]
    down += docsis.ofdm_mhz * 1e6 * rates.OFDM_BPS_PER_HZ
    up = docsis.up_channels * rates.UP_CHANNEL_BPS + docsis.ofdma_mhz * 1e6 * rates.OFDMA_BPS_PER_HZ
    return Ceiling(
        node=box.node,
        part="cable channels",
        via=Via.LINE,
        down_bps=down,
        up_bps=up,
        basis=f"{docsis.down_channels} down, {docsis.up_channels} up, OFDM {docsis.ofdm_mhz:g} MHz, "
        f"OFDMA {docsis.ofdma_mhz:g} MHz; shared with the neighbours (ITU-T J.83, DOCSIS 3.1; "
        "usable share common practice)",
    )


def _radio(box: Box, radio: Radio) -> Ceiling:
    link = rates.RADIO_STREAM_BPS[radio.generation, radio.width_mhz] * radio.streams
    real = link * rates.RADIO_REAL * (rates.SHARED_BACKHAUL if radio.shared_backhaul else 1.0)
    shared = ", halved as it repeats on the same radio" if radio.shared_backhaul else ""
    return Ceiling(
        node=box.node,
        part=f"radio {radio.generation}",
        via=Via.RADIO,
        down_bps=real,
        up_bps=real,
        basis=f"{radio.streams} streams at {radio.width_mhz} MHz: link rate {link / 1e6:.0f} Mbit/s "
        f"(IEEE 802.11), {100 * rates.RADIO_REAL:.0f} % of it for data in the same room "
        f"(common practice){shared}",
    )


def ceilings(box: Box) -> tuple[Ceiling, ...]:
    """Every ceiling of one box; KeyError for a generation, width or adapter that has no row."""
    out = []
    if box.docsis is not None:
        out.append(_docsis(box, box.docsis))
    if box.line is not None:
        down, up = rates.LINE_GENERATIONS[box.line]
        out.append(
            Ceiling(
                node=box.node,
                part=f"line {box.line}",
                via=Via.LINE,
                down_bps=down,
                up_bps=up,
                basis="best case of its standard",
            )
        )
    if box.port_bps is not None:
        rate = rates.ethernet_bps(box.port_bps)
        out.append(
            Ceiling(
                node=box.node,
                part=f"Ethernet port {box.port_bps / 1e6:g} Mbit/s",
                via=Via.PORT,
                down_bps=rate,
                up_bps=rate,
                basis=f"{rates.MTU_PAYLOAD} of {rates.MTU_WIRE} octets are data (IEEE 802.3, RFC 7323)",
            )
        )
    if box.adapter is not None:
        usual = rates.ADAPTERS[box.adapter]
        out.append(
            Ceiling(
                node=box.node,
                part=f"adapter {box.adapter}",
                via=Via.ADAPTER,
                down_bps=usual.high_bps,
                up_bps=usual.high_bps,
                usual_bps=usual.low_bps,
                basis=f"usually {usual.low_bps / 1e6:g} to {usual.high_bps / 1e6:g} Mbit/s for both "
                f"directions together, far under the nominal figure ({usual.source})",
            )
        )
    if box.radio is not None:
        out.append(_radio(box, box.radio))
    return tuple(out)


def on_the_way(path: Path, boxes: Mapping[str, Box]) -> tuple[Ceiling, ...]:
    """The ceilings that a path's packets meet, nearest first: only the sides of a box that they pass.

    A wireless hop is held by the access point's radio, a wired one by both ends' ports, a backhaul by both
    ends' radios, ports or adapters, the access line by the box that ends it.
    """
    out: dict[tuple[str, str], Ceiling] = {}
    for link in path.links:
        via = _VIA.get(link.medium, Via.LINE) if link.kind is not LinkKind.ACCESS else Via.LINE
        for end in (link.near, link.far):
            for ceiling in ceilings(boxes[end]) if end in boxes else ():
                if ceiling.via is via:
                    out.setdefault((ceiling.node, ceiling.part), ceiling)
    return tuple(out.values())


_VIA: dict[Medium | None, Via] = {
    Medium.RADIO: Via.RADIO,
    Medium.ETHERNET: Via.PORT,
    Medium.COAX: Via.ADAPTER,
    Medium.POWER_LINE: Via.ADAPTER,
}


def bonded(levels: ModemLevels, channel_mhz: int = 6) -> Docsis:
    """What a modem bonds now, by its own reading: locked channels only.

    A many-carrier channel of unknown width counts as 96 MHz down and 40 MHz up, small but usual (practice).
    """
    live = [c for c in levels.channels if c.locked is not False]
    return Docsis(
        down_channels=sum(c.direction is Direction.DOWN and c.carrier not in MULTI_CARRIER for c in live),
        up_channels=sum(c.direction is Direction.UP and c.carrier not in MULTI_CARRIER for c in live),
        ofdm_mhz=sum((c.width_hz or 96e6) / 1e6 for c in live if c.carrier is Carrier.OFDM),
        ofdma_mhz=sum((c.width_hz or 40e6) / 1e6 for c in live if c.carrier is Carrier.OFDMA),
        channel_mhz=channel_mhz,
    )


def narrowest(all_: Sequence[Ceiling], direction: Direction) -> Ceiling | None:
    """The lowest ceiling of one direction; the first of equals; None when there is none."""
    rate = (lambda c: c.down_bps) if direction is Direction.DOWN else (lambda c: c.up_bps)
    return min(all_, key=rate, default=None)


def upgrades(
    all_: Sequence[Ceiling], plan_down_bps: float | None, plan_up_bps: float | None
) -> tuple[Upgrade, ...]:
    """For each ceiling under the plan, or the narrowest where no plan is known: what lifting it opens.

    Only one part is lifted at a time, so that a reader sees which purchase alone would change nothing.
    """
    low_down, low_up = narrowest(all_, Direction.DOWN), narrowest(all_, Direction.UP)
    if low_down is None or low_up is None:
        return ()
    out = []
    for one in all_:
        under = (plan_down_bps is not None and one.down_bps < plan_down_bps) or (
            plan_up_bps is not None and one.up_bps < plan_up_bps
        )
        if not under and not (plan_down_bps is None and one in (low_down, low_up)):
            continue
        rest = [c for c in all_ if c is not one]
        next_down, next_up = narrowest(rest, Direction.DOWN), narrowest(rest, Direction.UP)
        after_down = next_down.down_bps if next_down else math.inf
        after_up = next_up.up_bps if next_up else math.inf
        after_down = min(after_down, plan_down_bps or math.inf)
        after_up = min(after_up, plan_up_bps or math.inf)
        before_down = min(low_down.down_bps, plan_down_bps or math.inf)
        before_up = min(low_up.up_bps, plan_up_bps or math.inf)
        stays = (
            next_down if next_down is not None and next_down.down_bps <= (plan_down_bps or math.inf) else None
        )
        next_narrow = f"{stays.node}'s {stays.part}" if stays else "the plan"
        opened = [
            f"{_mb(before)} to {_mb(after)} {way}"
            for before, after, way in ((before_down, after_down, "down"), (before_up, after_up, "up"))
            if after > before
        ]
        words = f"lifting {one.node}'s {one.part} would "
        if opened:
            words += f"open {' and '.join(opened)}; then {next_narrow} is the narrow link"
        else:
            words += f"change nothing alone: {next_narrow} stays the narrow link"
        out.append(
            Upgrade(
                node=one.node,
                part=one.part,
                before_down_bps=before_down,
                after_down_bps=after_down,
                before_up_bps=before_up,
                after_up_bps=after_up,
                next_narrow=next_narrow,
                words=words,
            )
        )
    return tuple(out)


def _mb(rate_bps: float) -> str:
    return "no limit" if math.isinf(rate_bps) else f"{rate_bps / 1e6:.0f} Mbit/s"


def role_words(box: Box) -> str:
    """What an all-in-one box means for an upgrade; empty for a box with one role."""
    if len(box.roles) < 2:
        return ""
    roles = ", ".join(box.roles[:-1]) + f" and {box.roles[-1]}"
    return (
        f"{box.node} is {roles} in one: one fault or one old part touches all of them. To upgrade one role, "
        "switch that role off in it (bridge mode, or radio off) and let a separate box do it"
    )
