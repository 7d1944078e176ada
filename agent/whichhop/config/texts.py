"""Texts of a home file that have a form: checked, and given back in their usual spelling; else ValueError."""

import re
from ipaddress import ip_address, ip_network
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones


def address(text: str) -> str:
    """An IPv4 or IPv6 address, in its usual form."""
    usual = node_address(text)
    if is_link_local(usual):
        raise ValueError("good on one link only")
    return usual


def is_link_local(text: str) -> bool:
    """True for an IPv6 address that is good on one link only, as most routers have theirs."""
    found = ip_address(text)
    return found.version == 6 and found.is_link_local


def is_loopback(text: str) -> bool:
    """True for an address by which every machine means itself; host names are not looked up."""
    try:
        return ip_address(text).is_loopback
    except ValueError:
        return text.rstrip(".").lower() == "localhost"


def node_address(text: str) -> str:
    """An address of a box in the home; of a link-local one each agent takes its own way to the router."""
    if "%" in text:
        raise ValueError("an address with a zone, which is another one on every machine")
    try:
        found = ip_address(text)
    except ValueError:
        raise ValueError("not an IPv4 or IPv6 address") from None
    if found.is_multicast or found.is_unspecified or text == "255.255.255.255":
        raise ValueError("no single machine's address")
    return str(found)


def domain(text: str) -> str:
    """A domain name."""
    labels = text.removesuffix(".").split(".")
    # RFC 1035 2.3.4: a label has at most 63 octets, a name 255; letters, digits, hyphens (RFC 1123 2.1).
    if len(text) > 253 or not all(re.fullmatch(r"(?!-)[A-Za-z0-9-]{1,63}(?<!-)", part) for part in labels):
        raise ValueError("not a domain name such as www.example.org")
    return text


def network(text: str) -> str:
    """A network as address and prefix length."""
    try:
        return str(ip_network(text))
    except ValueError:
        raise ValueError("not a network such as 192.0.2.0/24") from None


def quiet_hours(text: str) -> str:
    """A span of hours of the day."""
    match = re.fullmatch(r"([01]?\d|2[0-3]):([0-5]\d) ?[-\u2013] ?([01]?\d|2[0-3]):([0-5]\d)", text)
    if match is None:
        raise ValueError("not a span of hours such as 23:00-07:00")
    return "{:0>2}:{}-{:0>2}:{}".format(*match.groups())


def zone(text: str) -> str:
    """A time zone by its IANA name."""
    try:
        ZoneInfo(text)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        # A small box may carry no time zones at all; it makes no reports either.
        if available_timezones():
            raise ValueError("not a time zone such as Europe/Lisbon") from None
    return text


MOST_CHARACTERS = 160


def short_line(text: str) -> str:
    """Words on one line, blanks at its ends left out."""
    line = " ".join(text.split())
    if not line or len(line) > MOST_CHARACTERS or not line.isprintable():
        raise ValueError(f"not a line of 1 to {MOST_CHARACTERS} printable characters")
    return line


def hardware_address(text: str) -> str:
    """A hardware address of 48 bits, as six pairs of hexadecimal digits with colons (IEEE 802-2014, 8.1)."""
    digits = re.sub(r"[:. -]", "", text).upper()
    if not re.fullmatch(r"[0-9A-F]{12}", digits):
        raise ValueError("not a hardware address such as 00:00:5E:00:53:01")
    return ":".join(digits[i : i + 2] for i in range(0, 12, 2))


def url(text: str) -> str:
    """The address of something that is fetched or posted to."""
    if not re.fullmatch(r"https?://[^\s/]+(/\S*)?", text):
        raise ValueError("not an address such as https://files.example.net/large.bin")
    return text


def page(text: str) -> str:
    """The address of a device's page."""
    if not re.fullmatch(r"https?://[^\s/]+(/\S*)?", text):
        raise ValueError("not a page's address such as http://192.0.2.254/status.html")
    return text


def target(text: str) -> str:
    """An address, or a host name in small letters."""
    try:
        return str(ip_address(text))
    except ValueError:
        pass
    # A last label of digits alone is a mistyped address: no domain ends in one (RFC 3696 section 2).
    if text.rstrip(".").rpartition(".")[2].isdigit():
        raise ValueError("not an IPv4 or IPv6 address")
    try:
        return domain(text).lower()
    except ValueError:
        raise ValueError("not an address or host name such as harbour.example.net") from None


def mailbox(text: str) -> str:
    """A mail address, without a name beside it."""
    # RFC 5321 4.1.2, 4.5.3.1: dot-atoms of at most 64 octets, and a domain; quoted local parts are rare.
    local, at, where = text.rpartition("@")
    if (
        not at
        or len(local) > 64
        or not re.fullmatch(r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+(\.[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+)*", local)
    ):
        raise ValueError("not a mail address such as alder@example.net")
    try:
        domain(where)
    except ValueError:
        raise ValueError("not a mail address such as alder@example.net") from None
    return text
