"""The most that a link can carry, as the agents at its ends read it off their ports and radios. Pure."""

from collections.abc import Iterable, Mapping

from whichhop.capacity.links import DOWN, UP
from whichhop.model import Home, Reading
from whichhop.model.hop_facts import FULL_DUPLEX, OF_LINKS, PORT_SPEED, RADIO_RATE, RADIO_RECEIVE
from whichhop.stats.throughput import TCP_HEADERS, goodput_bps

Ceilings = dict[tuple[str, str], tuple[float, str]]
"""By link and direction: TCP payload in bit/s, and in words why."""


def newest(readings: Iterable[Reading]) -> dict[tuple[str, str, str], Reading]:
    """The newest reading of each agent, name and neighbour."""
    out: dict[tuple[str, str, str], Reading] = {}
    for reading in readings:
        name, _, other_end = reading.name.partition(":")
        if name in OF_LINKS:
            key = (reading.agent, name, other_end)
            if key not in out or reading.at_ns >= out[key].at_ns:
                out[key] = reading
    return out


def observed_ceilings(home: Home, readings: Iterable[Reading], *, radio_share: float) -> Ceilings:
    """By what was negotiated and at which rates the radios sent last; the lower end's word counts.

    radio_share: what of a radio's link rate is left for data. A radio's rate follows its signal, so its
    ceiling is that of the newest reading. Half duplex is told: there both directions share the rate.
    """
    out: Ceilings = {}
    last = newest(readings)
    links = {frozenset((link.near, link.far)): link for link in home.links}
    for (agent, name, other_end), reading in last.items():
        link = links.get(frozenset((agent, other_end)))
        if link is None or reading.value <= 0:
            continue
        rises = agent == link.near
        words = f"{reading.value / 1e6:g} Mbit/s"
        if name == PORT_SPEED:
            duplex = last.get((agent, FULL_DUPLEX, other_end))
            half = duplex is not None and not duplex.value
            words = f"{agent}'s port, negotiated at {words}{', half duplex' if half else ''}"
            rate = goodput_bps(reading.value, header_octets=TCP_HEADERS)
            ways: tuple[str, ...] = (UP, DOWN)
        elif name in (RADIO_RATE, RADIO_RECEIVE):
            words = f"{agent}'s radio, {words} of which {100 * radio_share:.0f} % is data (common practice)"
            rate = reading.value * radio_share
            ways = (UP if rises == (name == RADIO_RATE) else DOWN,)
        else:
            continue
        _lower(out, {(link.name, way): (rate, words) for way in ways})
    return out


def lowest(*many: Mapping[tuple[str, str], tuple[float, str]]) -> Ceilings:
    """The lowest ceiling of each link and direction."""
    out: Ceilings = {}
    for one in many:
        _lower(out, one)
    return out


def _lower(out: Ceilings, more: Mapping[tuple[str, str], tuple[float, str]]) -> None:
    for at, found in more.items():
        if at not in out or found[0] < out[at][0]:
            out[at] = found
