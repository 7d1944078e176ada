"""Levels, cabling and equipment in a home file: the rules that need more than one field, and the nouns."""

import math
from collections.abc import Iterator, Sequence
from pathlib import Path

from whichhop.config.load import KeyPath
from whichhop.config.nouns import noun_of
from whichhop.config.schema import HomeFile, LevelsPart
from whichhop.config.schema_of_house import BoxPart, RunPart
from whichhop.config.trade_words import near_word
from whichhop.config.tree import Trouble
from whichhop.model import Link, LinkKind, NodeKind, Service
from whichhop.model.cable_run import (
    REFERENCE_C,
    Amplifier,
    Box,
    Cable,
    Coupler,
    Docsis,
    Filter,
    Joint,
    Leg,
    Pad,
    Part,
    Radio,
    Run,
    Splitter,
)
from whichhop.model.levels_source import LevelsSource, Login

# The keys that name a part, each with the keys that may stand beside it.
_BESIDE: dict[str, frozenset[str]] = {
    "tap": frozenset(),
    "cable": frozenset({"length_m", "length_ft", "temperature_c"}),
    "splitter": frozenset({"leg", "serves"}),
    "coupler": frozenset({"leg", "serves"}),
    "amplifier_db": frozenset({"return_db"}),
    "filter": frozenset({"low_mhz", "high_mhz", "loss_db"}),
    "pad_db": frozenset(),
    "joint": frozenset({"loss_db"}),
}
METRES_A_FOOT = 0.3048
"""Exactly: the international foot (NIST SP 811, appendix B.8)."""
_LEGS: dict[int, tuple[Leg, ...]] = {3: (Leg.EVEN, Leg.STRONG, Leg.WEAK)}
_SPLITTERS = (2, 3, 4, 8)
_COUPLERS = (6, 9, 12, 16, 20)
_LINE_ENDS = (NodeKind.MODEM, NodeKind.GATEWAY, NodeKind.ROUTER)
_ROLES = {NodeKind.GATEWAY: ("modem", "router", "access point")}
_WIDTHS = {"802.11n": (20, 40), "802.11ac": (20, 40, 80, 160), "802.11ax": (20, 40, 80, 160)}


def _set(part: RunPart | LevelsPart) -> set[str]:
    return {name for name in part.model_fields_set if getattr(part, name) is not None}


def level_troubles(file: HomeFile) -> Iterator[Trouble]:
    """Everything wrong between the fields of the nodes' `levels`."""
    for name, node in file.nodes.items():
        if node.levels is None:
            continue
        at: KeyPath = ("nodes", name, "levels")
        given = _set(node.levels)
        kinds = [k for k in ("snmp", "page", "file") if k in given]
        if len(kinds) != 1:
            problem = f"names {' and '.join(kinds)}" if kinds else "names no source"
            yield at, problem, "give one of snmp, page, file"
            continue
        if node.kind not in _LINE_ENDS:
            yield at, f"a {node.kind} has no line to read levels of", "move it to the modem"
        beside = {
            "snmp": {"community", "port", "user_file"},
            "page": {"login", "insecure_tls", "columns", "down", "up", "locked"},
            "file": {"columns", "down", "up", "locked"},
        }[kinds[0]]
        for key in sorted(given - beside - {kinds[0], "every_s"}):
            yield (*at, key), f"has no meaning with {kinds[0]}", "remove it"
        if {"community", "user_file"} <= given:
            yield (*at, "community"), "of no use with user_file", "keep one of the two"
        login = node.levels.login
        if login is not None and (login.password is None) == (login.password_file is None):
            yield (*at, "login"), "needs the password once", "give password or password_file"


def _part_troubles(part: RunPart, at: KeyPath, first: bool) -> Iterator[Trouble]:
    given = _set(part)
    kinds = [k for k in _BESIDE if k in given]
    if len(kinds) != 1:
        problem = f"names {' and '.join(kinds)}" if kinds else "names no part"
        yield at, problem, f"give one of {', '.join(_BESIDE)}"
        return
    kind = kinds[0]
    for key in sorted(given - _BESIDE[kind] - {kind}):
        yield (*at, key), f"has no meaning with {kind}", "remove it"
    if (kind == "tap") != first:
        if first:
            yield (
                at,
                f"the run starts with {kind}",
                "start it with tap: [{mhz: ..., dbmv: ...}], or tap: [] where no level is known there",
            )
        else:
            yield at, "a second start", "keep one tap, at the head of the list"
    if kind == "cable" and (part.length_m is None) == (part.length_ft is None):
        problem = "missing" if part.length_m is None else "given in metres and in feet"
        yield (*at, "length_m"), problem, "give the cable's length once, as length_m or length_ft"
    if kind == "splitter" and part.splitter not in _SPLITTERS:
        yield (*at, "splitter"), f"no usual splitter has {part.splitter} ways", "use 2, 3, 4 or 8"
    if kind == "coupler" and part.coupler not in _COUPLERS:
        yield (*at, "coupler"), f"no usual coupler has {part.coupler} dB", "use 6, 9, 12, 16 or 20"
    if part.leg is not None:
        legs = (Leg.THROUGH, Leg.TAP) if kind == "coupler" else _LEGS.get(part.splitter or 0, (Leg.EVEN,))
        if part.leg not in legs:
            yield (*at, "leg"), f"this part has no {part.leg} output", near_word(part.leg, list(legs))
    if kind == "filter" and (part.low_mhz or 0.0) >= (part.high_mhz or math.inf):
        yield (*at, "low_mhz"), "not below high_mhz", "give the band that passes"


def cabling_troubles(file: HomeFile) -> Iterator[Trouble]:
    """Everything wrong with the cable run and the equipment."""
    for i, part in enumerate(file.cabling):
        yield from _part_troubles(part, ("cabling", i), i == 0)
    for name, box in file.equipment.items():
        at: KeyPath = ("equipment", name)
        if name not in file.nodes:
            yield at, f"no node is named {name!r}", near_word(name, list(file.nodes))
        widths = _WIDTHS.get(box.radio or "", (20, 40, 80, 160, 320))
        if box.radio is not None and box.width_mhz not in widths:
            yield (
                (*at, "width_mhz"),
                f"{box.radio} has no channels of {box.width_mhz} MHz",
                "use one of: " + ", ".join(map(str, widths)),
            )
        cable = box.down_channels or box.up_channels or box.ofdm_mhz or box.ofdma_mhz
        if box.line is not None and cable:
            yield (*at, "line"), f"{box.line} has no cable channels", "keep either line or the channels"


def build_levels(file: HomeFile, home_file: Path) -> dict[str, LevelsSource]:
    """Per node the source of its levels; call on a checked file."""
    out = {}
    for name, node in file.nodes.items():
        part = node.levels
        if part is None:
            continue
        out[name] = noun_of(
            LevelsSource,
            part,
            home_file,
            community=part.community or "public",
            login=part.login and noun_of(Login, part.login, home_file),
            columns={str(fact): heading for fact, heading in part.columns.items()},
        )
    return out


def _part(part: RunPart) -> Part:  # noqa: PLR0911 # one return a kind of part
    if part.cable is not None:
        celsius = REFERENCE_C if part.temperature_c is None else part.temperature_c
        metres = (part.length_ft or 0.0) * METRES_A_FOOT if part.length_m is None else part.length_m
        return Cable(kind=part.cable, length_m=metres, temperature_c=celsius)
    if part.splitter is not None:
        return Splitter(ways=part.splitter, leg=part.leg or Leg.EVEN, serves=tuple(part.serves or ()))
    if part.coupler is not None:
        return Coupler(value_db=part.coupler, leg=part.leg or Leg.THROUGH, serves=tuple(part.serves or ()))
    if part.amplifier_db is not None:
        return Amplifier(gain_db=part.amplifier_db, return_gain_db=part.return_db or 0.0)
    if part.pad_db is not None:
        return Pad(loss_db=part.pad_db)
    if part.filter is not None:
        return Filter(
            name=part.filter,
            low_hz=(part.low_mhz or 0.0) * 1e6,
            high_hz=math.inf if part.high_mhz is None else part.high_mhz * 1e6,
            loss_db=0.5 if part.loss_db is None else part.loss_db,
        )
    return Joint(name=part.joint or "joint", loss_db=0.2 if part.loss_db is None else part.loss_db)


def build_run(file: HomeFile) -> Run | None:
    """The cable run, or None where the file lists none; call on a checked file."""
    if not file.cabling:
        return None
    start = {level.mhz * 1e6: level.dbmv for level in file.cabling[0].tap or ()}
    return Run(tap_dbmv=start, parts=tuple(_part(p) for p in file.cabling[1:]))


def _box(name: str, kind: NodeKind, part: BoxPart) -> Box:
    cable = part.down_channels or part.up_channels or part.ofdm_mhz or part.ofdma_mhz
    docsis = Docsis(
        down_channels=part.down_channels,
        up_channels=part.up_channels,
        ofdm_mhz=part.ofdm_mhz,
        ofdma_mhz=part.ofdma_mhz,
        channel_mhz=part.channel_mhz,
    )
    radio = None
    if part.radio is not None:
        radio = Radio(
            generation=part.radio,
            streams=part.streams,
            width_mhz=part.width_mhz,
            shared_backhaul=part.shared_backhaul,
        )
    return Box(
        node=name,
        roles=_ROLES.get(kind, (str(kind),)),
        docsis=docsis if cable else None,
        line=part.line,
        port_bps=None if part.port_mbps is None else part.port_mbps * 1e6,
        radio=radio,
        adapter=part.adapter,
    )


def build_boxes(file: HomeFile) -> tuple[Box, ...]:
    """The equipment, in the order written; call on a checked file."""
    return tuple(_box(name, file.nodes[name].kind, part) for name, part in file.equipment.items())


def build_service(file: HomeFile, links: Sequence[Link]) -> Service:
    """What names the line, with the box at its end."""
    ends = [link.near for link in links if link.kind is LinkKind.ACCESS]
    box = next((file.equipment[name] for name in ends if name in file.equipment), None)
    said = file.contract
    return Service(
        customer=said.customer,
        account=said.account,
        address=said.address,
        product=said.product,
        modem_model=box.model if box else None,
        modem_mac=box.mac if box else None,
    )
