"""UPnP's WANCommonInterfaceConfig:1 as text in and out, and its discovery by SSDP. Pure."""

import re
from urllib.parse import urljoin
from xml.etree import ElementTree

from whichhop import outside
from whichhop.outside import OutsideError
from whichhop.printable import shown

SERVICE = "urn:schemas-upnp-org:service:WANCommonInterfaceConfig:1"
BITS = 32
"""The byte totals are ui4 (WANCommonInterfaceConfig:1, table 1), so they wrap as a Counter32 does."""
_LONGEST_WHY = 80
RECEIVED, SENT = "TotalBytesReceived", "TotalBytesSent"


def _tree(text: bytes, what: str) -> ElementTree.Element:
    # Entities can blow a page up to gigabytes; neither UPnP nor SOAP uses any. UDA says UTF-8: a zero octet
    # is another encoding, in which the words would not be found.
    if b"\0" in text or re.search(rb"<!(DOCTYPE|ENTITY)", text):
        raise OutsideError(f"{what} declares a document type, which UPnP never does")
    try:
        return ElementTree.fromstring(text)  # noqa: S314 - refused above
    # ValueError, LookupError: an encoding that its declaration names and nobody knows
    except (ElementTree.ParseError, ValueError, LookupError) as wrong:
        raise OutsideError(f"{what} is not XML ({wrong})") from None


def _local(element: ElementTree.Element) -> str:
    return element.tag.rpartition("}")[2]


def control_address(description: bytes, base: str) -> str:
    """Where the service's questions go: a URL, absolute. OutsideError when it is not there.

    base: the description's own URL. Its `URLBase` is passed over: UPnP 1.1 did away with it.
    """
    for service in _tree(description, "the description").iter():
        if _local(service) != "service":
            continue
        facts = {_local(child): (child.text or "").strip() for child in service}
        if facts.get("serviceType") == SERVICE and facts.get("controlURL"):
            with outside.reading("the description's controlURL"):
                return urljoin(base, outside.name(facts["controlURL"], "controlURL"))
    raise OutsideError("the description names no WANCommonInterfaceConfig:1")


def question(variable: str) -> tuple[dict[str, str], bytes]:
    """Headers and body that ask for one of the totals (UPnP Device Architecture, control)."""
    action = f"Get{variable}"
    body = (
        '<?xml version="1.0"?>'
        '<s:Envelope xmlns:s="http://schemas.xmlsoap.org/soap/envelope/"'
        ' s:encodingStyle="http://schemas.xmlsoap.org/soap/encoding/">'
        f'<s:Body><u:{action} xmlns:u="{SERVICE}"></u:{action}></s:Body></s:Envelope>'
    )
    headers = {"Content-Type": 'text/xml; charset="utf-8"', "SOAPAction": f'"{SERVICE}#{action}"'}
    return headers, body.encode()


def answer(text: bytes, variable: str) -> int:
    """The total in an answer; OutsideError for anything else.

    Some devices answer past 32 bits, or below zero where their signed number overflowed: both are taken
    modulo 2^32, as the service defines the type (common practice).
    """
    for element in _tree(text, "the answer").iter():
        name = _local(element)
        if name == f"New{variable}":
            value = (element.text or "").strip()
            return outside.whole_of(value, variable, low=-(2**63), high=outside.COUNTER64) % (1 << BITS)
        if name == "errorDescription":
            why = outside.text((element.text or "no reason").strip()[:_LONGEST_WHY], "errorDescription")
            raise outside.bad("the device refuses", why)
    raise OutsideError(f"no {variable} in the answer")


GROUP, PORT = "239.255.255.250", 1900
MOST_OCTETS = 2048
"""Of one answer; the usual ones have some 400."""


def search(host: str, service: str, *, wait_s: int | None = None) -> bytes:
    """An M-SEARCH for a service (UPnP Device Architecture 1.1, 1.3.2).

    host: where it is sent, ADDRESS:PORT. wait_s: within what devices of a group are to answer, 1 to 5; None
    for a search that is sent to one device.
    """
    lines = ["M-SEARCH * HTTP/1.1", f"HOST: {host}", 'MAN: "ssdp:discover"', f"ST: {service}"]
    lines += [] if wait_s is None else [f"MX: {wait_s}"]
    return "\r\n".join([*lines, "", ""]).encode("ascii")


def description_address(octets: bytes, service: str) -> str | None:
    """The description's URL in an answer to a search; None for an answer to another one.

    OutsideError for what is no answer (UPnP Device Architecture 1.1, 1.3.3).
    """
    head, *lines = octets[:MOST_OCTETS].decode("latin-1").splitlines() or [""]
    if head.split()[:2] not in (["HTTP/1.1", "200"], ["HTTP/1.0", "200"]):
        raise outside.bad("the UPnP answer", f"begins with {shown(head, 40)}")
    fields = {name.strip().upper(): value.strip() for name, _, value in (row.partition(":") for row in lines)}
    if fields.get("ST") != service:
        return None
    if not fields.get("LOCATION"):
        raise OutsideError("the UPnP answer names no LOCATION")
    return outside.name(fields["LOCATION"], "LOCATION")
