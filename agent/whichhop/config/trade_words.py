"""What the trade calls things, and the one word that a home file stores for each."""

import difflib
import re
from collections.abc import Iterable, Mapping

from whichhop.model import LinkKind, Medium, NodeKind
from whichhop.model.cable_run import Adapter, CableKind, Leg, LineKind, RadioKind


def folded(word: str) -> str:
    """A word without what people write it differently in: capitals, blanks, hyphens and the like."""
    return re.sub(r"[^a-z0-9+.]+", "", word.lower())


class Words:
    """The words of one place: what is stored, and for each the others that people write for it."""

    def __init__(self, stored: Iterable[str], other: Mapping[str, str]) -> None:
        """other: by stored word, its other words, parted by commas."""
        self.stored = tuple(str(word) for word in stored)
        self.other = {
            str(own): tuple(word.strip() for word in words.split(",")) for own, words in other.items()
        }
        self._own = {folded(word): word for word in self.stored}
        for own, words in self.other.items():
            self._own |= {folded(word): own for word in words}

    def own(self, word: object) -> str | None:
        """The word that is stored for what somebody wrote; None where nothing here is spelled like it."""
        return self._own.get(folded(word)) if isinstance(word, str) else None

    @property
    def spelled(self) -> list[str]:
        """Every word as it is usually spelled, the stored ones first."""
        return [*self.stored, *(word for words in self.other.values() for word in words)]


HOME_NODES = [kind for kind in NodeKind if kind not in (NodeKind.PROVIDER_EDGE, NodeKind.PEER)]
"""The kinds that are written; the other two follow from `targets`."""
HOME_LINKS = [kind for kind in LinkKind if kind is not LinkKind.BEYOND]
ACCESS_MEDIA = (Medium.CABLE, Medium.FIBRE, Medium.DSL, Medium.FIXED_WIRELESS, Medium.SATELLITE)
HOME_MEDIA = (Medium.RADIO, Medium.ETHERNET, Medium.COAX, Medium.POWER_LINE)

NODES = Words(
    HOME_NODES,
    {
        NodeKind.MODEM: "cable modem, dsl modem, ont, optical terminal, fibre terminal, fiber terminal",
        NodeKind.ROUTER: "wifi router, wireless router, firewall",
        NodeKind.GATEWAY: "residential gateway, home gateway, modem router, router modem, all in one, combo",
        NodeKind.MESH_NODE: "mesh, mesh point, mesh satellite, mesh router, extender, wifi extender, "
        "range extender, repeater, wifi repeater, booster, wifi booster, mesh unit",
        NodeKind.ACCESS_POINT: "ap, wap, wifi access point, wireless access point",
        NodeKind.SWITCH: "ethernet switch, network switch, power-line adapter, powerline adapter, "
        "moca adapter, coax adapter",
        NodeKind.HOST: "pc, desktop, computer, gaming pc, workstation, server, laptop, notebook, nas, "
        "console, game console, phone, smartphone, tablet, tv, television, smart tv, printer, camera, "
        "set-top box, media player, device",
    },
)
NO_NODES = {
    **dict.fromkeys(
        ("splitter", "coaxsplitter", "cablesplitter", "2waysplitter", "3waysplitter", "4waysplitter"),
        "write splitters under cabling, a line each: - {splitter: 2}",
    ),
    **dict.fromkeys(
        ("amplifier", "amp", "coupler", "tap", "filter", "attenuator", "wallplate"),
        "write the parts of the coax under cabling, a line each",
    ),
    **dict.fromkeys(
        ("internet", "provider", "isp", "line", "cloud", "wan"),
        "remove it: join the modem to provider-edge, which is there by itself",
    ),
}
"""What people write as a node and where it is said instead; by folded word."""
ACCESS = Words(
    [*ACCESS_MEDIA, "unknown"],
    {
        Medium.CABLE: "coax, docsis, catv, hfc, cable internet",
        Medium.FIBRE: "fiber, ftth, fttp, gpon, pon, optical",
        Medium.DSL: "adsl, vdsl, vdsl2, telephone line, phone line",
        Medium.FIXED_WIRELESS: "lte, 4g, 5g, cellular, mobile",
    },
)
"""What a access line runs over."""
INSIDE = Words(
    [*HOME_MEDIA, "unknown"],
    {
        Medium.RADIO: "wifi, wireless, wlan",
        Medium.ETHERNET: "cable, wired, lan, utp, cat5, cat5e, cat6, cat6a, cat7, cat8, "
        "ethernet cable, network cable, lan cable, patch cable",
        Medium.COAX: "moca",
        Medium.POWER_LINE: "powerline, plc, power line adapter, mains",
    },
)
"""What a link within the home runs over: here `cable` is the Ethernet cable, and `coax` is MoCA."""
LINKS = Words(
    HOME_LINKS,
    {
        LinkKind.WIRELESS: "wifi, wlan, radio",
        LinkKind.WIRED: "ethernet, cable, lan, utp, cat5, cat5e, cat6, cat6a, cat7, cat8, "
        "ethernet cable, network cable, lan cable, patch cable",
        LinkKind.BACKHAUL: "mesh, mesh backhaul, mesh link",
        LinkKind.ACCESS: "line, access line, internet, wan, broadband, provider, isp",
    },
)
LINKS_OVER = Words(
    (),
    {
        Medium.RADIO: "wireless backhaul, radio backhaul, wifi backhaul",
        Medium.ETHERNET: "ethernet backhaul, wired backhaul",
        Medium.COAX: "coax, moca, moca backhaul, coax backhaul",
        Medium.POWER_LINE: "power-line, powerline, plc, powerline backhaul, power-line adapter, mains",
    },
)
"""Words that say kind and medium at once: a backhaul over that medium."""
LINES_OVER = Words(
    (),
    {
        Medium.CABLE: "docsis, catv, hfc, cable internet",
        Medium.FIBRE: "fibre, fiber, ftth, fttp, gpon, pon",
        Medium.DSL: "dsl, adsl, vdsl, vdsl2, telephone line, phone line",
        Medium.FIXED_WIRELESS: "fixed-wireless, lte, 4g, 5g, cellular",
        Medium.SATELLITE: "satellite",
    },
)
"""Words that say an access link and its medium at once."""
EDGE = ("internet", "provider", "isp", "wan", "provider edge", "the internet")
"""What people call the far end of their line."""
CABLES = Words(
    CableKind,
    {
        CableKind.RG_59: "rg59, rg59/u, rg-59 quad",
        CableKind.RG_6: "rg6, rg6/u, rg-6 quad, rg-6 quad shield, rg-6 tri shield, quad shield",
        CableKind.RG_11: "rg11, rg11/u, rg-11 quad",
    },
)
LEGS = Words(
    Leg,
    {Leg.THROUGH: "thru, out, output", Leg.TAP: "tapped", Leg.STRONG: "low loss", Leg.WEAK: "high loss"},
)
RADIOS = Words(
    RadioKind,
    {
        RadioKind.N: "wi-fi 4, n, 4",
        RadioKind.AC: "wi-fi 5, ac, 5",
        RadioKind.AX: "wi-fi 6, wi-fi 6e, ax, 6, 6e",
        RadioKind.BE: "wi-fi 7, be, 7",
    },
)
ADAPTERS = Words(
    Adapter,
    {
        Adapter.POWER_LINE_500: "powerline 500",
        Adapter.POWER_LINE_1200: "powerline 1200",
        Adapter.POWER_LINE_2000: "powerline 2000",
        Adapter.COAX_1000: "moca 2.0, moca 1000",
        Adapter.COAX_2500: "moca 2.5, moca 2500",
    },
)
TERMINALS = Words(LineKind, {LineKind.ADSL2_PLUS: "adsl2", LineKind.VDSL2_17A: "vdsl2 profile 17a"})

KEYS = {
    "ip": "address",
    "ipv4": "address",
    "ipv6": "address",
    "host": "address",
    "hostname": "address",
    "type": "kind",
    "location": "room",
    "over": "medium",
    "ends": "join",
    "between": "join",
    "devices": "nodes",
    "hosts": "nodes",
    "connections": "links",
    "timezone": "zone",
    "download": "down_mbps",
    "upload": "up_mbps",
    "down": "down_mbps",
    "up": "up_mbps",
    "feet": "length_ft",
    "metres": "length_m",
    "meters": "length_m",
    "port_mbit": "port_mbps",
    "wifi": "radio",
    "coax": "cabling",
}
"""Keys that people try first, and the one that is meant; a hint, where that one may stand, and no key."""


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word that is spelled most like this one, capitals and hyphens aside; None if none is."""
    spelled: dict[str, str] = {}
    for one in known:
        spelled.setdefault(folded(one), one)
    close = difflib.get_close_matches(folded(word)[:64], list(spelled), n=1)
    return spelled[close[0]] if close else None


def near_word(word: str, known: Iterable[str], stored: Iterable[str] | None = None) -> str:
    """'did you mean X?' for the closest known word, or the list of them; stored: a shorter list to print."""
    known = list(known)
    close = nearest(word, known)
    if close is not None:
        return f"did you mean {close!r}?"
    return "use one of: " + ", ".join(known if stored is None else stored)
