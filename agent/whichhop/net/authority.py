"""An address and a port as one writes them, IPv6 in brackets (RFC 3986 3.2.2). Pure."""


def authority(address: str, port: int) -> str:
    """`192.0.2.1:9862` or `[2001:db8::1]:9862`."""
    return f"[{address}]:{port}" if ":" in address else f"{address}:{port}"


def host_and_port(text: str, default: int) -> tuple[str, int]:
    """What `authority` writes, or a bare host or address with the default port; ValueError otherwise."""
    if text.startswith("["):
        host, closing, rest = text[1:].partition("]")
        port = rest.removeprefix(":")
        whole = closing and (rest == "" or rest.startswith(":"))
    elif text.count(":") > 1:
        host, port, whole = text, "", True
    else:
        host, colon, port = text.partition(":")
        whole = not colon or port != ""
    if (
        not host
        or not whole
        or not (port == "" or (port.isascii() and port.isdigit() and 0 < int(port) < 65536))
    ):
        raise ValueError(text)
    return host, int(port) if port else default
