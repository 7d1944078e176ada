"""What an agent's metrics say of the modem and of the newest transfers."""

from collections.abc import Iterator, Mapping
from contextlib import suppress

from msgspec import Struct
from prometheus_client.parser import text_string_to_metric_families

from whichhop.cabling.judge_modem import judge_modem
from whichhop.model import Channel, Direction, Home, ModemLevels
from whichhop.model.channel import MULTI_CARRIER, Carrier, DslLine
from whichhop.model.transfer import DOWNLOADS, UPLOADS

_PREFIX = "whichhop_"


def samples(text: str) -> Iterator[tuple[str, Mapping[str, str], float]]:
    """Name (without the project's prefix), labels and value of each sample that has labels.

    Each line is read by itself: one that is none of the text form hides no other.
    """
    for line in text.split("\n"):
        if line.startswith(_PREFIX):
            with suppress(ValueError, IndexError, OverflowError):
                for family in text_string_to_metric_families(line):
                    for name, labels, value, *_ in family.samples:
                        if labels:
                            yield name.removeprefix(_PREFIX), labels, float(value)


def _channel(name: str, facts: Mapping[str, float]) -> Channel | None:
    way, _, rest = name.partition("-")
    kind, _, ident = rest.rpartition("-")
    if way not in list(Direction) or not ident.isdigit():
        return None
    carrier = Carrier.SC_QAM if way == Direction.DOWN else Carrier.ATDMA
    for one in MULTI_CARRIER:
        carrier = one if kind == one else carrier
    return Channel(
        direction=Direction(way),
        channel_id=int(ident),
        carrier=carrier,
        power_dbmv=facts.get("modem_power_dbmv"),
        mer_db=facts.get("modem_snr_db"),
        locked=bool(facts["modem_locked"]) if "modem_locked" in facts else None,
    )


def modems_of(text: str, at_ns: int) -> list[ModemLevels]:
    """The modems that an agent reads, as its metrics show them, less what needs two readings."""
    channels: dict[str, dict[str, dict[str, float]]] = {}
    lines: dict[str, dict[str, dict[str, float]]] = {}
    light: dict[str, float] = {}
    for name, labels, value in samples(text):
        node = labels.get("node", "")
        if name in ("modem_power_dbmv", "modem_snr_db", "modem_locked"):
            channels.setdefault(node, {}).setdefault(labels.get("channel", ""), {})[name] = value
        elif name in ("dsl_margin_db", "dsl_attenuation_db", "dsl_rate_bytes_per_second"):
            lines.setdefault(node, {}).setdefault(labels.get("direction", ""), {})[name] = value
        elif name == "optical_receive_dbm":
            light[node] = value
    out = []
    for node in dict.fromkeys((*channels, *lines, *light)):
        found = [_channel(n, facts) for n, facts in channels.get(node, {}).items()]
        dsl = []
        for way, facts in lines.get(node, {}).items():
            if way in list(Direction):
                rate = facts.get("dsl_rate_bytes_per_second")
                line = DslLine(
                    direction=Direction(way),
                    margin_db=facts.get("dsl_margin_db"),
                    attenuation_db=facts.get("dsl_attenuation_db"),
                    rate_bps=None if rate is None else rate * 8,
                )
                dsl.append(line)
        out.append(
            ModemLevels(
                node=node,
                at_ns=at_ns,
                channels=tuple(c for c in found if c is not None),
                dsl=tuple(dsl),
                receive_dbm=light.get(node),
            )
        )
    return out


def _span(values: list[float], unit: str) -> str:
    low, high = min(values), max(values)
    return f"{low:+.1f} {unit}" if high - low < 0.05 else f"{low:+.1f} to {high:+.1f} {unit}"


def modem_line(levels: ModemLevels, home: Home) -> str:
    """One modem in one line: its levels in short, and how they stand."""
    words = []
    for way in Direction:
        live = [c for c in levels.direction(way) if c.locked is not False]
        powers = [c.power_dbmv for c in live if c.power_dbmv is not None]
        ratios = [c.mer_db for c in live if c.mer_db is not None]
        if powers:
            words.append(f"{len(live)} {way} {_span(powers, 'dBmV')}")
        if ratios:
            words.append(f"SNR from {min(ratios):.0f} dB")
    for line in levels.dsl:
        if line.rate_bps is not None:
            words.append(f"{line.direction} {line.rate_bps / 1e6:.1f} Mbit/s")
        if line.margin_db is not None:
            words.append(f"margin {line.margin_db:.1f} dB")
    if levels.receive_dbm is not None:
        words.append(f"light {levels.receive_dbm:.1f} dBm")
    judgement = judge_modem(levels, None, home.plan)
    worst = f" ({judgement.troubles[0].about})" if judgement.troubles else ""
    return f"{judgement.standing}{worst}: {', '.join(words) or 'no level is told'}"


class LastRate(Struct, frozen=True, kw_only=True):
    """The newest transfers between an agent and one other end: TCP payload, toward the home and from it."""

    agent: str
    other_end: str
    down_bps: float | None = None
    up_bps: float | None = None
    at_least: bool = False


def rates_of(text: str, home: Home) -> list[LastRate]:
    """An agent's newest transfers toward the provider's side; those between two rooms are left out."""
    found: dict[tuple[str, str], dict[str, float]] = {}
    for name, labels, value in samples(text):
        if name.startswith("transfer_") and {"agent", "target"} <= set(labels):
            found.setdefault((labels["agent"], labels["target"]), {})[name] = value
    out = []
    for (agent, other_end), facts in found.items():
        outward = (*home.peers, DOWNLOADS, UPLOADS)
        if agent in home.nodes and (other_end in outward or other_end in home.way_out(agent)):
            held = facts.get("transfer_from_agent_at_least") or facts.get("transfer_to_agent_at_least")
            down, up = (facts.get(f"transfer_{way}_agent_bytes_per_second") for way in ("to", "from"))
            out.append(
                LastRate(
                    agent=agent,
                    other_end=other_end,
                    down_bps=None if down is None else down * 8,
                    up_bps=None if up is None else up * 8,
                    at_least=bool(held),
                )
            )
    return out
