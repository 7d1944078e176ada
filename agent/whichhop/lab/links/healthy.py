"""How links of each kind behave in health in the emulated home: figures of ordinary homes, common practice.

A near radio hop adds 1-3 ms with a tail, a cable access line 4-8 ms each way; Ethernet adds nothing that a
test packet sees, so cables are bare veth pairs. Radio is emulated: contention is a mixture of waits and
retry bursts per packet, not a model of a channel.
"""

from dataclasses import replace

from whichhop.lab.scenario import LinkNature
from whichhop.model import Home, Link, LinkKind, Medium

MOST_BPS = 200_000_000
"""A chain of relays in one process is exact up to here; a faster plan is emulated at this rate."""
QUEUE_S = 0.15
"""Depth of the access queue: a bloated but usual modem."""

_WIRE = LinkNature(delay_s=0.0)
_BY_MEDIUM: dict[Medium, LinkNature] = {
    Medium.RADIO: LinkNature(delay_s=0.001, jitter_s=0.0004, contention_ratio=0.02),
    Medium.ETHERNET: _WIRE,
    Medium.COAX: LinkNature(delay_s=0.0015, jitter_s=0.0003),
    Medium.POWER_LINE: LinkNature(delay_s=0.003, jitter_s=0.001),
    Medium.CABLE: LinkNature(delay_s=0.004, jitter_s=0.0003),
    Medium.FIBRE: LinkNature(delay_s=0.001, jitter_s=0.0001),
    Medium.DSL: LinkNature(delay_s=0.008, jitter_s=0.0002),
    Medium.FIXED_WIRELESS: LinkNature(delay_s=0.012, jitter_s=0.003),
    Medium.SATELLITE: LinkNature(delay_s=0.020, jitter_s=0.003),
}
_BEYOND = LinkNature(delay_s=0.005, jitter_s=0.0001)


def ordinary_nature(home: Home, link: Link) -> LinkNature:
    """The behaviour of one link by its kind and medium; the access line has the plan's rates."""
    if link.kind is LinkKind.BEYOND:
        return _BEYOND
    nature = _BY_MEDIUM[link.medium] if link.medium is not None else _WIRE
    if link.kind is LinkKind.ACCESS and home.plan is not None:
        return replace(
            nature,
            rate_bps=min(MOST_BPS, home.plan.down_bps),
            rate_up_bps=min(MOST_BPS, home.plan.up_bps),
            queue_s=QUEUE_S,
        )
    return nature


def ordinary_natures(home: Home) -> dict[str, LinkNature]:
    """The behaviour of every link of a home, by name."""
    return {link.name: ordinary_nature(home, link) for link in home.links}
