"""The shape of a home file as pydantic models; rules that need more than one field stand in check.py."""

import re
from enum import StrEnum
from ipaddress import ip_address, ip_network
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints

from whichhop.model import LinkKind, Medium, NodeKind
from whichhop.model.cable_run import CableKind, Leg
from whichhop.model.equipment import Adapter, LineKind, RadioKind
from whichhop.model.levels_source import Fact

NAME_PATTERN = r"^[a-z][a-z0-9-]{0,31}$"


def _address(text: str) -> str:
    try:
        return str(ip_address(text))
    except ValueError:
        raise ValueError("not an IPv4 or IPv6 address") from None


def _domain(text: str) -> str:
    labels = text.removesuffix(".").split(".")
    # RFC 1035 2.3.4: a label has at most 63 octets, a name 255; letters, digits, hyphens (RFC 1123 2.1).
    if len(text) > 253 or not all(re.fullmatch(r"(?!-)[A-Za-z0-9-]{1,63}(?<!-)", part) for part in labels):
        raise ValueError("not a domain name such as www.example.org")
    return text


def _network(text: str) -> str:
    try:
        return str(ip_network(text))
    except ValueError:
        raise ValueError("not a network such as 192.0.2.0/24") from None


def _quiet(text: str) -> str:
    match = re.fullmatch(r"([01]\d|2[0-3]):([0-5]\d)-([01]\d|2[0-3]):([0-5]\d)", text)
    if match is None:
        raise ValueError("not a span of hours such as 23:00-07:00")
    return text


def _zone(text: str) -> str:
    try:
        ZoneInfo(text)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        # A small box may carry no time zones at all; it makes no reports either.
        if available_timezones():
            raise ValueError("not a time zone such as Europe/Lisbon") from None
    return text


Name = Annotated[str, StringConstraints(pattern=NAME_PATTERN)]
Address = Annotated[str, AfterValidator(_address)]


def _written_node(kind: NodeKind) -> NodeKind:
    if kind in (NodeKind.PROVIDER_EDGE, NodeKind.PEER):
        raise ValueError("implied by `targets` and the access link, never a node of the home")
    return kind


def _written_link(kind: LinkKind) -> LinkKind:
    if kind is LinkKind.BEYOND:
        raise ValueError("implied by `targets`, never written")
    return kind


class Part(BaseModel):
    """What all parts share: unknown keys are refused, nothing is converted behind the writer's back."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, use_attribute_docstrings=True)


def _url(text: str) -> str:
    if not re.fullmatch(r"https?://[^\s/]+(/\S*)?", text):
        raise ValueError("not an address such as https://files.example.net/large.bin")
    return text


class PlanPart(Part):
    """What the provider promised, in Mb/s (10^6 bit/s)."""

    down_mbps: Annotated[float, Field(gt=0, le=1_000_000, strict=False)]
    up_mbps: Annotated[float, Field(gt=0, le=1_000_000, strict=False)]


def _page(text: str) -> str:
    if not re.fullmatch(r"https?://[^\s/]+(/\S*)?", text):
        raise ValueError("not a page's address such as http://192.0.2.254/status.html")
    return text


class LoginPart(Part):
    """How a modem's status page is unlocked: HTTP basic authentication, or with `form` its login form."""

    user: str = ""
    password: str | None = None
    password_file: str | None = None
    """A file that holds only the password; keep it readable by its owner alone."""
    form: str | None = None
    """Where the form is sent, absolute or relative to the page."""
    user_field: str = "username"
    password_field: str = "password"  # noqa: S105 # the name of a form field
    extra: dict[str, str] = Field(default_factory=dict)


class LevelsPart(Part):
    """Where a modem's levels are read from: one of `snmp`, `page`, `file`."""

    snmp: Address | None = None
    community: str | None = None
    """The SNMP community; public unless given."""
    port: Annotated[int | None, Field(ge=1, le=65535)] = None
    page: Annotated[str, AfterValidator(_page)] | None = None
    login: LoginPart | None = None
    insecure_tls: bool = False
    """True accepts the modem's own certificate, which nobody vouches for."""
    file: str | None = None
    """CSV or JSON; a path relative to the home file."""
    columns: dict[Annotated[Fact, Field(strict=False)], str] = Field(default_factory=dict)
    """The page's own headings, where they are not the usual ones."""
    down: str = "downstream"
    up: str = "upstream"
    locked: list[str] = Field(default_factory=list)
    every_s: Annotated[int, Field(ge=30, le=86_400)] = 300


class WanCountersPart(Part):
    """How the bytes that the home itself sends and receives are counted."""

    interface: Annotated[str, StringConstraints(pattern=r"^[^\n]{1,80}$")] | None = None
    """The interface towards the modem: on a router that runs an agent as `ip link` names it, with `snmp` as
    its ifName or ifDescr."""
    snmp: str | None = None
    """The SNMP community with which the router's counters are read (RFC 2863)."""
    port: Annotated[int | None, Field(ge=1, le=65535)] = None
    """The SNMP port; 161 unless given."""
    upnp: Annotated[str, AfterValidator(_page)] | None = None
    """The address of the router's UPnP description, which names its WANCommonInterfaceConfig."""


class NodePart(Part):
    """A device of the home."""

    kind: Annotated[NodeKind, Field(strict=False), AfterValidator(_written_node)]
    address: Address | None = None
    """Where probes reach it; a node without one is known but never probed."""
    agent: bool = False
    """True where a whichhop daemon runs."""
    stamp: bool = False
    """True where another conforming STAMP reflector answers (RFC 8762)."""
    room: str | None = None
    levels: LevelsPart | None = None
    wan_counters: WanCountersPart | None = None


class WrittenMedium(StrEnum):
    """What a link may be written to run over: model.Medium's words, and that it is not known."""

    RADIO = Medium.RADIO
    ETHERNET = Medium.ETHERNET
    COAX = Medium.COAX
    POWER_LINE = Medium.POWER_LINE
    CABLE = Medium.CABLE
    FIBRE = Medium.FIBRE
    DSL = Medium.DSL
    FIXED_WIRELESS = Medium.FIXED_WIRELESS
    SATELLITE = Medium.SATELLITE
    UNKNOWN = "unknown"


class LinkPart(Part):
    """What joins two nodes."""

    join: Annotated[list[Name], Field(min_length=2, max_length=2)]
    kind: Annotated[LinkKind, Field(strict=False), AfterValidator(_written_link)]
    medium: Annotated[WrittenMedium | None, Field(strict=False)] = None
    """What it runs over; `unknown` is taken too, and makes every statement about its latency more careful."""
    name: Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9/-]{0,64}$")] | None = None


class PeerPart(Part):
    """A target upstream that the user may probe."""

    address: Address
    stamp: bool = False
    """True where a conforming STAMP reflector answers there; an agent of your own is one."""
    clients: list[Annotated[str, AfterValidator(_network)]] = Field(default_factory=list)
    """With an agent of your own on the peer: the networks it answers, such as your home's public one."""
    tcp_port: Annotated[int, Field(ge=1, le=65535)] | None = None
    """Where echo is filtered: a TCP port of the peer that may be connected to instead."""


class TargetsPart(Part):
    """What may be probed upstream; empty by default, so that nothing is."""

    provider_edge: Annotated[Literal["discover"] | Address | None, Field(alias="provider-edge")] = None
    """The provider's first hop: an address, or `discover` to find it on the way to the first peer."""
    peers: dict[Name, PeerPart] = Field(default_factory=dict)
    downloads: list[Annotated[str, AfterValidator(_url)]] = Field(default_factory=list)
    """URLs the user may fetch, to measure the line's rate down."""
    uploads: list[Annotated[str, AfterValidator(_url)]] = Field(default_factory=list)
    """URLs that take what is posted to them, to measure the line's rate up."""
    resolvers: dict[Name, Address] = Field(default_factory=dict)
    """The name servers the home uses; each agent asks them for `lookup`."""
    lookup: Annotated[str, AfterValidator(_domain)] | None = None
    """The name that resolvers are asked for: one that you may ask often, such as your own."""


class LimitsPart(Part):
    """What the probes may cost."""

    daily_transfer_mb: Annotated[float, Field(ge=0, le=1_000_000_000, strict=False)] = 2000
    quiet_hours: Annotated[str, AfterValidator(_quiet)] | None = None
    keep_days: Annotated[int, Field(ge=1, le=36_500)] = 90
    """Records older than this are dropped."""
    store_mb: Annotated[float, Field(ge=10, le=1_000_000_000, strict=False)] = 1000
    """The oldest records go when the store holds more than this."""
    transfers_a_day: Annotated[int, Field(ge=0, le=24)] = 0
    """How often a day each transfer is run by itself; 0: only when asked for."""


class PortsPart(Part):
    """Where agents listen; the same in the whole home."""

    api: Annotated[int, Field(ge=1, le=65535)] = 8620
    stamp: Annotated[int, Field(ge=1, le=65535)] = 862
    transfer: Annotated[int, Field(ge=1, le=65535)] = 8621
    tls: Annotated[int, Field(ge=1, le=65535)] = 8622


Decibels = Annotated[float, Field(ge=-100, le=100, strict=False)]


class LevelAtPart(Part):
    """A level at a frequency."""

    mhz: Annotated[float, Field(gt=0, le=3000, strict=False)]
    dbmv: Decibels


class RunPart(Part):
    """One part of the coax on its way from the tap to the modem: exactly one of the first eight keys."""

    tap: list[LevelAtPart] | None = None
    """The level where the run starts, at one or more frequencies; the first entry of the list."""
    cable: Annotated[CableKind | None, Field(strict=False)] = None
    splitter: Annotated[int | None, Field(ge=2, le=8)] = None
    """How many ways."""
    coupler: Annotated[int | None, Field(ge=6, le=20)] = None
    """Its tap value in dB."""
    amplifier_db: Decibels | None = None
    filter: str | None = None
    pad_db: Annotated[float | None, Field(gt=0, le=40, strict=False)] = None
    joint: str | None = None
    """A wall plate, barrel or bonding block."""
    length_m: Annotated[float | None, Field(gt=0, le=1000, strict=False)] = None
    temperature_c: Annotated[float | None, Field(ge=-60, le=90, strict=False)] = None
    leg: Annotated[Leg | None, Field(strict=False)] = None
    serves: list[str] | None = None
    """What hangs on the other outputs."""
    return_db: Decibels | None = None
    low_mhz: Annotated[float | None, Field(ge=0, le=3000, strict=False)] = None
    high_mhz: Annotated[float | None, Field(gt=0, le=3000, strict=False)] = None
    loss_db: Annotated[float | None, Field(ge=0, le=40, strict=False)] = None


class BoxPart(Part):
    """What a device of the home is: what it can bond, its port, its radio, its adapter."""

    down_channels: Annotated[int, Field(ge=0, le=64)] = 0
    up_channels: Annotated[int, Field(ge=0, le=16)] = 0
    ofdm_mhz: Annotated[float, Field(ge=0, le=1800, strict=False)] = 0
    ofdma_mhz: Annotated[float, Field(ge=0, le=700, strict=False)] = 0
    channel_mhz: Literal[6, 8] = 6
    line: Annotated[LineKind | None, Field(strict=False)] = None
    port_mbps: Annotated[float | None, Field(gt=0, le=400_000, strict=False)] = None
    radio: Annotated[RadioKind | None, Field(strict=False)] = None
    streams: Annotated[int, Field(ge=1, le=8)] = 2
    width_mhz: Literal[20, 40, 80, 160, 320] = 80
    shared_backhaul: bool = False
    """True where the radio that serves devices also carries the backhaul."""
    adapter: Annotated[Adapter | None, Field(strict=False)] = None


class StampPart(Part):
    """How the home's agents speak STAMP to each other."""

    authenticated: bool = True
    """Sign packets with the home's key; false lets any conforming sender be answered."""


class PagePart(Part):
    """Who may read the agents' page, metrics and bulletin."""

    open: bool = True
    """True: everybody in the home. False: in TLS, by the password that `whichhop setup` tells."""


class HomeFile(Part):
    """The whole file."""

    home: Annotated[str, StringConstraints(min_length=1, max_length=80)]
    """The home's name, for titles."""
    zone: Annotated[str, AfterValidator(_zone)] | None = None
    """The home's time zone (IANA), for reports, quiet hours and the budget; default: each machine's own."""
    plan: PlanPart | None = None
    nodes: Annotated[dict[Name, NodePart], Field(min_length=1)]
    links: list[LinkPart] = Field(default_factory=list)
    targets: TargetsPart = Field(default_factory=TargetsPart)
    limits: LimitsPart = Field(default_factory=LimitsPart)
    page: PagePart = Field(default_factory=PagePart)
    ports: PortsPart = Field(default_factory=PortsPart)
    cabling: list[RunPart] = Field(default_factory=list)
    """The coax from the tap to the modem, part by part."""
    equipment: dict[Name, BoxPart] = Field(default_factory=dict)
    """By node, what the boxes can do."""

    stamp: StampPart = Field(default_factory=StampPart)
