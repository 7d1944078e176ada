"""Counters of the home's own traffic in a home file: the rules between their fields, and the nouns."""

import re
from collections.abc import Iterator, Mapping
from pathlib import Path

from whichhop.config.schema import HomeFile, NodePart, WanCountersPart
from whichhop.config.tree import Trouble
from whichhop.model.levels_source import CounterSource


def _by_snmp(part: WanCountersPart) -> bool:
    return part.snmp is not None or part.snmp_user_file is not None


def own_interface(part: NodePart) -> str | None:
    """The interface that the node's own agent counts; None where it is asked for over the network."""
    counters = part.wan_counters
    if counters is None or _by_snmp(counters) or counters.upnp is not None:
        return None
    return counters.interface


def counter_troubles(file: HomeFile) -> Iterator[Trouble]:
    """Everything wrong with the nodes' `wan_counters`; of two nodes that count, only one would be right."""
    counting = ""
    for name, node in file.nodes.items():
        part = node.wan_counters
        if part is None:
            continue
        at = ("nodes", name, "wan_counters")
        if counting:
            yield at, f"{counting} counts already, and traffic would count twice", "keep one of the two"
        counting = name
        yield from _device_troubles(name, node)
        ways = [key for key in ("snmp", "snmp_user_file", "upnp") if getattr(part, key) is not None]
        if len(ways) > 1:
            yield at, f"names {' and '.join(ways)}", f"keep one of the {'two' if len(ways) == 2 else 'three'}"
        elif part.upnp is not None:
            for key in ("interface", "port"):
                if getattr(part, key) is not None:
                    yield (*at, key), "of no use with upnp, which names the interface itself", "remove it"
        elif part.interface is None:
            wanted = "the router's ifName or ifDescr" if _by_snmp(part) else "as `ip link` names it"
            yield (*at, "interface"), "missing", f"add the interface towards the modem, {wanted}"
        elif _by_snmp(part):
            if node.address is None:
                yield (
                    ("nodes", name, "address"),
                    "missing, though snmp is asked there",
                    "add its address",
                )
        else:
            yield from _own_troubles(name, node)


def _device_troubles(name: str, node: NodePart) -> Iterator[Trouble]:
    at, part = ("nodes", name, "wan_counters"), node.wan_counters
    if part is None:
        return
    if part.by_device and (part.upnp is not None or _by_snmp(part) or not node.agent):
        yield (
            (*at, "by_device"),
            "only an agent on the router itself sees connections",
            "set agent: true with interface alone, or remove by_device",
        )
    if part.devices and not part.by_device:
        yield (*at, "devices"), "of no use without by_device", "add by_device: true, or remove it"


def _own_troubles(name: str, node: NodePart) -> Iterator[Trouble]:
    at, part = ("nodes", name, "wan_counters"), node.wan_counters
    if part is None:
        return
    if not node.agent:
        yield at, "counted by an agent, and none runs here", "set agent: true, or use snmp or upnp"
    if part.port is not None:
        yield (*at, "port"), "of no use without snmp", "remove it, or add snmp or snmp_user_file"
    if re.fullmatch(r"[^\s/]{1,15}", part.interface or "") is None:
        yield (*at, "interface"), f"{part.interface!r} is no interface of Linux", "write it as `ip link` does"


def build_device_names(file: HomeFile) -> Mapping[str, str]:
    """By address, the names that were written for own traffic alone."""
    parts = [node.wan_counters for node in file.nodes.values() if node.wan_counters is not None]
    return {address: name for part in parts for name, address in part.devices.items()}


def build_counters(file: HomeFile, home_file: Path) -> Mapping[str, CounterSource]:
    """By node, the counters that an agent asks for over the network."""
    out = {}
    for name, node in file.nodes.items():
        part = node.wan_counters
        if part is None:
            continue
        if _by_snmp(part) and node.address is not None and part.interface is not None:
            out[name] = CounterSource(
                address=node.address,
                community=part.snmp or "public",
                user_file=None
                if part.snmp_user_file is None
                else str(home_file.parent / part.snmp_user_file),
                port=part.port or 161,
                interface=part.interface,
            )
        elif part.upnp is not None:
            out[name] = CounterSource(description=part.upnp)
    return out
