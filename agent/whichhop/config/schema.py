"""The shape of a home file as pydantic models; rules that need more than one field stand in check.py."""

from enum import StrEnum
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, StringConstraints

from whichhop.config import texts
from whichhop.config.schema_of_house import BoxPart, Line, Part, RunPart
from whichhop.model import LinkKind, Medium, NodeKind
from whichhop.model.fleet import DEFAULT_QUEUE_MB, WriteVersion
from whichhop.model.levels_source import Fact
from whichhop.model.notices import LEAST_PROBABILITY, LEAST_SECONDS, MailSecurity

NAME_PATTERN = r"^[a-z][a-z0-9-]{0,31}$"


Name = Annotated[str, StringConstraints(pattern=NAME_PATTERN)]
Address = Annotated[str, AfterValidator(texts.address)]


def _written_node(kind: NodeKind) -> NodeKind:
    if kind in (NodeKind.PROVIDER_EDGE, NodeKind.PEER):
        raise ValueError("implied by `targets` and the access link, never a node of the home")
    return kind


def _written_link(kind: LinkKind) -> LinkKind:
    if kind is LinkKind.BEYOND:
        raise ValueError("implied by `targets`, never written")
    return kind


class PlanPart(Part):
    """What the provider promised, in Mbit/s (10^6 bit/s)."""

    down_mbps: Annotated[float, Field(gt=0, le=1_000_000, strict=False)]
    """Downstream."""
    up_mbps: Annotated[float, Field(gt=0, le=1_000_000, strict=False)]
    """Upstream."""


class ContractPart(Part):
    """By what the provider finds the line: for reports, letters and calls alone."""

    customer: Line | None = None
    """Whose contract it is, as the provider writes the name."""
    account: Line | None = None
    """The account or customer number on the bill."""
    address: Line | None = None
    """The address at which the service is delivered."""
    product: Line | None = None
    """The plan's name on the bill; its rates stand under `plan`."""


class LoginPart(Part):
    """How a modem's status page is unlocked: HTTP basic authentication, or with `form` its login form."""

    user: str = ""
    """Its user name."""
    password: str | None = None
    """Its password; `password_file` keeps it out of this file."""
    password_file: str | None = None
    """A file that holds only the password; keep it readable by its owner alone."""
    form: str | None = None
    """Where the form is sent, absolute or relative to the page."""
    user_field: str = "username"
    """The form's name for the field of the user name."""
    password_field: str = "password"  # noqa: S105 # the name of a form field
    """The form's name for the field of the password."""
    extra: dict[str, str] = Field(default_factory=dict)
    """More fields that the form wants, each with its value."""


class LevelsPart(Part):
    """Where a modem's levels are read from: one of `snmp`, `page`, `file`."""

    snmp: Address | None = None
    """The modem's address, where it answers SNMP."""
    community: str | None = None
    """The SNMP community; public unless given."""
    user_file: str | None = None
    """Ask in SNMPv3: a file with lines `user: NAME`, `auth: PASSWORD` and `priv: PASSWORD`, and where the
    device wants other algorithms than SHA-256 and AES-128 `auth_by:` and `priv_by:`; mode 0600."""
    port: Annotated[int | None, Field(ge=1, le=65535)] = None
    """The SNMP port; 161 unless given."""
    page: Annotated[str, AfterValidator(texts.page)] | None = None
    """The address of the modem's own status page."""
    login: LoginPart | None = None
    """How that page is unlocked."""
    insecure_tls: bool = False
    """True accepts the modem's own certificate, which nobody vouches for."""
    file: str | None = None
    """CSV or JSON; a path relative to the home file."""
    columns: dict[Annotated[Fact, Field(strict=False)], str] = Field(default_factory=dict)
    """The page's own headings, where they are not the usual ones."""
    down: str = "downstream"
    """The word in a table's title that means downstream."""
    up: str = "upstream"
    """The word in a table's title that means upstream."""
    locked: list[str] = Field(default_factory=list)
    """More words that mean a locked channel."""
    every_s: Annotated[int, Field(ge=30, le=86_400)] = 300
    """Seconds between readings."""


class WanCountersPart(Part):
    """How the bytes that the home itself sends and receives are counted."""

    interface: Annotated[str, StringConstraints(pattern=r"^[^\n]{1,80}$")] | None = None
    """The interface towards the modem: on a router that runs an agent as `ip link` names it, with `snmp` as
    its ifName or ifDescr."""
    snmp: str | None = None
    """The SNMP community with which the router's counters are read (RFC 2863)."""
    snmp_user_file: str | None = None
    """In its stead, to ask in SNMPv3: a file as `levels.user_file` has it."""
    port: Annotated[int | None, Field(ge=1, le=65535)] = None
    """The SNMP port; 161 unless given."""
    upnp: Annotated[str, AfterValidator(texts.page)] | None = None
    """The address of the router's UPnP description, which names its WANCommonInterfaceConfig."""
    by_device: bool = False
    """True tells which device fills the line, by the connections that this router's kernel tracks."""
    devices: dict[Name, Address] = Field(default_factory=dict)
    """Names for devices that are no nodes, by which their traffic is told; others are told by address."""


class NodePart(Part):
    """A device of the home."""

    kind: Annotated[NodeKind, Field(strict=False), AfterValidator(_written_node)]
    """What the device is."""
    address: Annotated[str, AfterValidator(texts.node_address)] | None = None
    """Where probes reach it; a node without one is known but never probed, but for an agent: the others find
    it by its key."""
    agent: bool = False
    """True where a whichhop daemon runs."""
    stamp: bool = False
    """True where another conforming STAMP reflector answers (RFC 8762)."""
    room: str | None = None
    """Where it stands, in your words."""
    levels: LevelsPart | None = None
    """Where a modem's levels are read from."""
    wan_counters: WanCountersPart | None = None
    """How the home's own traffic is counted here, on its way to the line."""


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
    """The two nodes, in any order; `provider-edge` (or `internet`) is the far end of the line."""
    kind: Annotated[LinkKind, Field(strict=False), AfterValidator(_written_link)]
    """What the link does; a word such as `powerline`, `moca`, `fiber` says its medium too."""
    medium: Annotated[WrittenMedium | None, Field(strict=False)] = None
    """What it runs over; `unknown` is taken too, and makes every statement about its latency more careful."""
    name: Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9/-]{0,64}$")] | None = None
    """Its name in verdicts; both ends with a stroke between unless given."""


class PeerPart(Part):
    """A machine upstream that the user may probe: a mapping, or only its address or host name."""

    address: Annotated[str, AfterValidator(texts.target)]
    """Its address, or a host name, which is looked up whenever probing begins and every few minutes then."""
    stamp: bool = False
    """True where a conforming STAMP reflector answers there; an agent of your own is one."""
    clients: list[Annotated[str, AfterValidator(texts.network)]] = Field(default_factory=list)
    """With an agent of your own on the peer: the networks it answers, such as your home's public one."""
    tcp_port: Annotated[int, Field(ge=1, le=65535)] | None = None
    """Where echo is filtered: a TCP port of the peer that may be connected to instead."""


class TargetsPart(Part):
    """What may be probed upstream; empty by default, so that nothing is."""

    provider_edge: Annotated[Literal["discover"] | Address | None, Field(alias="provider-edge")] = None
    """The provider's first hop: `discover` to find it on the way to the first peer, or an address. With a
    peer and nothing written here it is discovered."""
    peers: dict[Name, PeerPart] = Field(default_factory=dict)
    """The machines upstream that you may probe, each by a name of your own; a list of host names or addresses
    will do too."""
    downloads: list[Annotated[str, AfterValidator(texts.url)]] = Field(default_factory=list)
    """URLs the user may fetch, to measure the line's rate down."""
    uploads: list[Annotated[str, AfterValidator(texts.url)]] = Field(default_factory=list)
    """URLs that take what is posted to them, to measure the line's rate up."""
    resolvers: dict[Name, Address] = Field(default_factory=dict)
    """The name servers the home uses; each agent asks them for `lookup`."""
    lookup: Annotated[str, AfterValidator(texts.domain)] | None = None
    """The name that resolvers are asked for: one that you may ask often, such as your own."""


class LimitsPart(Part):
    """What the probes may cost."""

    daily_transfer_mb: Annotated[float, Field(ge=0, le=1_000_000_000, strict=False)] = 2000
    """What all transfers of a day may move, in MB (10^6 octets), the whole home together."""
    quiet_hours: Annotated[str, AfterValidator(texts.quiet_hours)] | None = None
    """When no transfer runs, such as "23:00-07:00"."""
    keep_days: Annotated[int, Field(ge=1, le=36_500)] = 90
    """Records, what was worked out of their days, and past faults on the page, older than this are
    dropped."""
    store_mb: Annotated[float, Field(ge=10, le=1_000_000_000, strict=False)] = 1000
    """The oldest records go when the store holds more than this."""
    transfers_a_day: Annotated[int, Field(ge=0, le=24)] = 0
    """How often a day each transfer is run by itself; 0: only when asked for."""


class PortsPart(Part):
    """Where agents listen; the same in the whole home."""

    api: Annotated[int, Field(ge=1, le=65535)] = 8620
    """Page and metrics (TCP)."""
    stamp: Annotated[int, Field(ge=1, le=65535)] = 862
    """Test packets (UDP, RFC 8762); above 1023 where agents are not started by the administrator."""
    transfer: Annotated[int, Field(ge=1, le=65535)] = 8621
    """Transfers (TCP)."""
    tls: Annotated[int, Field(ge=1, le=65535)] = 8622
    """Records, for the other agents (TCP)."""


class StampPart(Part):
    """How the home's agents speak STAMP to each other."""

    authenticated: bool = True
    """Sign packets with the home's key; false lets any conforming sender be answered."""


class PagePart(Part):
    """Who may read the agents' page, metrics and bulletin."""

    open: bool = True
    """True: everybody in the home. False: in TLS, by the password that `whichhop setup` tells."""


class WebhookPart(Part):
    """Where notices are posted as JSON: one of `url` and `url_file`."""

    url: Annotated[str, AfterValidator(texts.url)] | None = None
    """The address that takes them."""
    url_file: str | None = None
    """A file that holds only that address, where the address is itself a secret; mode 0600."""
    token_file: str | None = None
    """A file that holds only a token, sent as `Authorization: Bearer`; mode 0600."""


class MailPart(Part):
    """By which server notices are mailed, from whom, to whom."""

    server: Annotated[str, AfterValidator(texts.target)]
    """The mail server that takes them: a host name or an address."""
    port: Annotated[int | None, Field(ge=1, le=65535)] = None
    """Its port; 587 with starttls, 465 with tls, 25 with none unless given."""
    security: Annotated[MailSecurity, Field(strict=False)] = MailSecurity.STARTTLS
    """How the connection is encrypted."""
    user: Annotated[str, StringConstraints(min_length=1, max_length=200)] | None = None
    """Its user name, where it wants one."""
    password_file: str | None = None
    """A file that holds only the password; mode 0600."""
    sender: Annotated[str, AfterValidator(texts.mailbox), Field(alias="from")]
    """The address that notices come from."""
    to: Annotated[list[Annotated[str, AfterValidator(texts.mailbox)]], Field(min_length=1, max_length=20)]
    """The addresses that get them."""


class NoticesPart(Part):
    """Who is told when a fault begins and ends; each way needs an agent that compares and has its files."""

    webhook: WebhookPart | None = None
    """Post each notice as JSON over HTTP or HTTPS."""
    mail: MailPart | None = None
    """Mail each notice."""
    command_file: str | None = None
    """A file with a program and its arguments, one a line; it gets each notice as JSON on standard input."""
    quiet_hours: Annotated[str, AfterValidator(texts.quiet_hours)] | None = None
    """When nobody is told, such as "22:00-07:00"; what is still ongoing is told at their end."""
    least_probability: Annotated[float, Field(ge=0.5, lt=1, strict=False)] = LEAST_PROBABILITY
    """What is less probable than this is not told."""
    least_minutes: Annotated[float, Field(ge=0, le=1440, strict=False)] = LEAST_SECONDS / 60
    """What is over sooner is not told."""


class FleetPart(Part):
    """The server of many homes that this home's agents write their windows to; nothing is written without."""

    write: Annotated[str, AfterValidator(texts.url)]
    """Its remote-write address, such as https://metrics.example.net/api/v1/write."""
    token_file: str | None = None
    """A file that holds only this home's token, sent as `Authorization: Bearer`; mode 0600."""
    ca_file: str | None = None
    """A file with the certificate (PEM) of the authority that vouches for the server, where that is yours."""
    queue_mb: Annotated[float, Field(ge=1, le=100_000, strict=False)] = DEFAULT_QUEUE_MB
    """How much each agent keeps on its disk while the server cannot be reached; the oldest goes first."""
    region: Annotated[str, AfterValidator(texts.short_line)] | None = None
    """A word of yours for where the line ends, such as a provider's edge, by which homes are compared."""
    version: Annotated[WriteVersion, Field(strict=False)] = WriteVersion.ONE
    """The remote-write version that the server takes."""


class HomeFile(Part):
    """The whole file."""

    home: Annotated[str, StringConstraints(min_length=1, max_length=80)]
    """The home's name, for titles."""
    zone: Annotated[str, AfterValidator(texts.zone)] | None = None
    """The home's time zone (IANA), for reports, quiet hours and the budget; default: each machine's own."""
    plan: PlanPart | None = None
    """The rates that are paid for; with them, transfers are judged."""
    contract: ContractPart = Field(default_factory=ContractPart)
    """By what the provider finds the line, for reports."""
    nodes: Annotated[dict[Name, NodePart], Field(min_length=1)]
    """The devices of the home, by a name of your own (small letters, digits, hyphens)."""
    links: list[LinkPart] = Field(default_factory=list)
    """What joins the nodes to each other, and the modem to `provider-edge`."""
    targets: TargetsPart = Field(default_factory=TargetsPart)
    """What may be probed upstream."""
    limits: LimitsPart = Field(default_factory=LimitsPart)
    """What measuring may cost."""
    page: PagePart = Field(default_factory=PagePart)
    """Who may see the agents' page."""
    notices: NoticesPart | None = None
    """Who is told when a fault begins and when it ends."""
    fleet: FleetPart | None = None
    """Which server of many homes is written to; none unless you name one."""
    announce: bool | None = None
    """Whether agents announce themselves to each other (DNS-SD); unless written, where one has no address."""
    ports: PortsPart = Field(default_factory=PortsPart)
    """Where agents listen."""
    cabling: list[RunPart] = Field(default_factory=list)
    """The coax from the tap to the modem, part by part."""
    equipment: dict[Name, BoxPart] = Field(default_factory=dict)
    """By node, what the boxes can do."""

    stamp: StampPart = Field(default_factory=StampPart)
    """How agents probe each other."""
