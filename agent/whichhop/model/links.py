"""The kinds of node, link, medium and cause: one table row each, with whose it is and the reader's words."""

from enum import StrEnum

from msgspec import Struct


class NodeKind(StrEnum):
    """What a device is in the home's path."""

    MODEM = "modem"
    ROUTER = "router"
    GATEWAY = "gateway"
    """Modem, router and access point in one box."""
    MESH_NODE = "mesh-node"
    ACCESS_POINT = "access-point"
    SWITCH = "switch"
    HOST = "host"
    PROVIDER_EDGE = "provider-edge"
    """The provider's first hop past the home; implied, never written under `nodes`."""
    PEER = "peer"
    """A target upstream that the user may probe; implied by `targets`."""


class LinkKind(StrEnum):
    """What joins two nodes."""

    WIRELESS = "wireless"
    BACKHAUL = "backhaul"
    WIRED = "wired"
    ACCESS = "access"
    BEYOND = "beyond"


class Medium(StrEnum):
    """What carries a link."""

    RADIO = "radio"
    ETHERNET = "ethernet"
    COAX = "coax"
    POWER_LINE = "power-line"
    CABLE = "cable"
    FIBRE = "fibre"
    DSL = "dsl"
    FIXED_WIRELESS = "fixed-wireless"
    SATELLITE = "satellite"


class Owner(StrEnum):
    """Who can mend a cause."""

    HOME = "home"
    PROVIDER = "provider"
    PROVIDER_OR_FURTHER = "provider or further"
    TARGET = "target"
    RESOLVER = "whoever runs the resolver"
    NOBODY = "nobody"


class Cause(StrEnum):
    """What a verdict may say."""

    WIRELESS_HOP = "wireless-hop"
    BACKHAUL = "backhaul"
    WIRED_LAN = "wired-lan"
    HOME_NODE = "home-node"
    """A router, mesh node or access point itself: its air, or everything that crosses it."""
    OWN_TRAFFIC = "own-traffic"
    AGENT_HOST = "agent-host"
    UPSTREAM_LINK = "upstream-link"
    BEYOND = "beyond"
    DESTINATION = "destination"
    NAME_SERVICE = "name-service"
    RESPONDER = "responder"
    """Only a box's own answers are slow or limited; what it forwards is well."""
    NOT_SEPARABLE = "not-separable"
    HEALTHY = "healthy"


class LinkRow(Struct, frozen=True, kw_only=True):
    """One link kind's facts."""

    cause: Cause
    media: tuple[Medium, ...]
    """Media a link of this kind may have; the first is taken when the home file names none."""
    medium_required: bool
    words: str


LINK_TABLE: dict[LinkKind, LinkRow] = {
    LinkKind.WIRELESS: LinkRow(
        cause=Cause.WIRELESS_HOP,
        media=(Medium.RADIO,),
        medium_required=False,
        words="the radio hop between a device and its access point",
    ),
    LinkKind.BACKHAUL: LinkRow(
        cause=Cause.BACKHAUL,
        media=(Medium.RADIO, Medium.ETHERNET, Medium.COAX, Medium.POWER_LINE),
        medium_required=True,
        words="the link that joins a mesh node or access point to the router",
    ),
    LinkKind.WIRED: LinkRow(
        cause=Cause.WIRED_LAN,
        media=(Medium.ETHERNET,),
        medium_required=False,
        words="a cable inside the home",
    ),
    LinkKind.ACCESS: LinkRow(
        cause=Cause.UPSTREAM_LINK,
        media=(Medium.CABLE, Medium.FIBRE, Medium.DSL, Medium.FIXED_WIRELESS, Medium.SATELLITE),
        medium_required=True,
        words="the line between the home and the provider's first hop",
    ),
    LinkKind.BEYOND: LinkRow(
        cause=Cause.BEYOND,
        media=(),
        medium_required=False,
        words="the provider's network and what lies further, past the first hop",
    ),
}


class CauseRow(Struct, frozen=True, kw_only=True):
    """One cause's facts."""

    owner: Owner
    words: str
    """The sentence's subject, as a householder would say it."""


CAUSE_TABLE: dict[Cause, CauseRow] = {
    Cause.WIRELESS_HOP: CauseRow(owner=Owner.HOME, words="the wireless hop"),
    Cause.BACKHAUL: CauseRow(owner=Owner.HOME, words="the backhaul"),
    Cause.WIRED_LAN: CauseRow(owner=Owner.HOME, words="the home's wiring"),
    Cause.HOME_NODE: CauseRow(owner=Owner.HOME, words="a box of the home"),
    Cause.OWN_TRAFFIC: CauseRow(owner=Owner.HOME, words="the home's own traffic"),
    Cause.AGENT_HOST: CauseRow(owner=Owner.NOBODY, words="the agent itself"),
    Cause.UPSTREAM_LINK: CauseRow(owner=Owner.PROVIDER, words="the access line"),
    Cause.BEYOND: CauseRow(
        owner=Owner.PROVIDER_OR_FURTHER, words="the provider's network or what lies beyond it"
    ),
    Cause.DESTINATION: CauseRow(owner=Owner.TARGET, words="one destination only"),
    Cause.NAME_SERVICE: CauseRow(owner=Owner.RESOLVER, words="the name service"),
    Cause.RESPONDER: CauseRow(owner=Owner.NOBODY, words="one box's own answers, not what it forwards"),
    Cause.NOT_SEPARABLE: CauseRow(owner=Owner.NOBODY, words="cannot be told apart by the agents there are"),
    Cause.HEALTHY: CauseRow(owner=Owner.NOBODY, words="nothing exceeds its own quiet baseline"),
}
HOUSE_CABLING = "the cabling in the house before the line"
"""What no test packet tells from the line; said wherever a fault of the access line is said."""
PROVIDERS = tuple(
    cause for cause, row in CAUSE_TABLE.items() if row.owner in (Owner.PROVIDER, Owner.PROVIDER_OR_FURTHER)
)
"""The causes that a provider would be asked about."""
