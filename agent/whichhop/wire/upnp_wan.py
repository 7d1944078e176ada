"""UPnP's WANCommonInterfaceConfig:1 as text in and out: its place, its questions, its answers. Pure."""

import re
from urllib.parse import urljoin
from xml.etree import ElementTree

from whichhop import outside
from whichhop.outside import OutsideError

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
