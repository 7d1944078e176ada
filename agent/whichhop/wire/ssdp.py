"""UPnP discovery (SSDP) as text in and out: the search for a service, and where its description is. Pure."""

from whichhop import outside
from whichhop.outside import OutsideError
from whichhop.printable import shown

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
