"""What the agents' counters tell of each hop now, and what they do not, for a person to read."""

from collections.abc import Callable, Iterable

from msgspec import Struct

from whichhop.app.looks.metric_text import samples
from whichhop.model import Home, Link, LinkKind, Medium
from whichhop.serve.live import IN_BASE_UNITS, OF_HOPS

_FACT_OF = {metric: fact for fact, metric in OF_HOPS.items()}
_SINCE_START = "_total"


def _mbit(value: float) -> str:
    rate = value / 1e6
    return f"{rate:.3f} Mbit/s" if 0 < rate < 1 else f"{rate:.1f}".removesuffix(".0") + " Mbit/s"


def _percent(value: float) -> str:
    return f"{100 * value:.3g} %"


def _time(value: float) -> str:
    for unit, seconds in (("days", 86_400), ("h", 3_600), ("min", 60)):
        if value >= 2 * seconds:
            return f"{value / seconds:.0f} {unit}"
    return f"{value:.0f} s"


def _yes(value: float) -> str:
    return "yes" if value else "no"


Form = str | Callable[[float], str]
_RADIO: dict[str, tuple[str, Form]] = {
    "radio_signal_dbm": ("signal", "{:.0f} dBm"),
    "radio_noise_dbm": ("noise", "{:.0f} dBm"),
    "radio_rate_bps": ("sends at", _mbit),
    "radio_receive_rate_bps": ("receives at", _mbit),
    "radio_frequency_mhz": ("channel at", "{:.0f} MHz"),
    "radio_width_mhz": ("channel width", "{:.0f} MHz"),
    "radio_streams": ("spatial streams", "{:.0f}"),
    "radio_busy_share": ("channel busy", _percent),
    "radio_receive_share": ("receiving", _percent),
    "radio_own_receive_share": ("receiving its own network", _percent),
    "radio_transmit_share": ("sending", _percent),
    "radio_retry_share": ("sent again", _percent),
    "radio_failed_share": ("given up", _percent),
    "radio_beacons_lost": ("beacons lost since the agent started", "{:.0f}"),
    "radio_connected_s": ("joined for", _time),
    "radio_power_save": ("power save", _yes),
}
_PORT: dict[str, tuple[str, Form]] = {
    "port_speed_bps": ("runs at", _mbit),
    "port_full_duplex": ("full duplex", _yes),
    "port_able_bps": ("offers", _mbit),
    "port_partner_able_bps": ("the other end offers", _mbit),
    "port_frames": ("frames since the agent started", "{:.0f}"),
    "port_errors": ("in error", "{:.0f}"),
    "port_dropped": ("dropped", "{:.0f}"),
    "port_carrier_changes": ("link came or went", "{:.0f} times"),
}
_USE: dict[str, tuple[str, Form]] = {
    "own_receive_bps": ("received lately", _mbit),
    "own_send_bps": ("sent lately", _mbit),
}
_NODE: dict[str, tuple[str, Form]] = {
    "node_uptime_s": ("up for", _time),
    "node_processor_share": ("processor in use", _percent),
    "node_temperature_c": ("hottest sensor", "{:.0f} degrees C"),
}
_SAYS = _RADIO | _PORT | _USE | _NODE


class HopTold(Struct, frozen=True, kw_only=True):
    """What one agent tells of a hop, or of a node by itself. about: in words. facts: by the names of
    model/hop_facts.py, counts since the agent started. unknown: the names that nobody could tell."""

    agent: str
    about: str
    facts: dict[str, float]
    unknown: tuple[str, ...]


def hops_told(texts: Iterable[str], home: Home) -> list[HopTold]:
    """From metrics: each link that an agent has an end of, in the home file's order, then nodes."""
    told: dict[tuple[str, str], dict[str, float]] = {}
    for text in texts:
        for name, labels, value in samples(text):
            fact = _FACT_OF.get(name.removesuffix(_SINCE_START))
            if fact is not None and {"agent", "target"} <= set(labels):
                metric = OF_HOPS[fact]
                factor = next((factor for end, factor in IN_BASE_UNITS if metric.endswith(end)), 1)
                told.setdefault((labels["agent"], labels["target"]), {})[fact] = value / factor
    agents = [node.name for node in home.agents]
    out = []
    for link in home.links:
        kinds = (_RADIO if _is_radio(link) else _PORT) | _USE
        for end, far in ((link.near, link.far), (link.far, link.near)):
            if end in agents and far in home.nodes:
                facts = {n: v for n, v in told.get((end, far), {}).items() if n not in _NODE}
                out.append(_told(end, f"{link.name}, read by {end}", facts, kinds))
            for agent in agents:
                facts = told.get((agent, f"{end}/{far}"), {})
                if facts:
                    out.append(_told(agent, f"{link.name}, read of {end} by {agent}", facts, _PORT))
    for (agent, target), every in told.items():
        facts = {n: v for n, v in every.items() if n in _NODE}
        if facts and target in home.nodes:
            by = "" if agent == target else f", read by {agent}"
            out.append(_told(agent, f"{target} by itself{by}", facts, _NODE))
    return out


def _is_radio(link: Link) -> bool:
    return link.medium is Medium.RADIO or (link.medium is None and link.kind is LinkKind.WIRELESS)


def _told(agent: str, about: str, facts: dict[str, float], kinds: Iterable[str]) -> HopTold:
    return HopTold(
        agent=agent, about=about, facts=facts, unknown=tuple(name for name in kinds if name not in facts)
    )


def hop_lines(hop: HopTold) -> list[str]:
    """One part of the screen: what it is about, what is known, what is not."""
    known = []
    for name, (words, form) in _SAYS.items():
        if name in hop.facts:
            value = hop.facts[name]
            known.append(f"{words} {form.format(value) if isinstance(form, str) else form(value)}")
    unknown = [_SAYS[name][0] for name in hop.unknown]
    lines = [hop.about, f"  {', '.join(known)}" if known else "  nothing is known"]
    if known and unknown:
        lines.append(f"  not known: {', '.join(unknown)}")
    return lines
