"""An address and a port as one writes them, IPv6 in brackets (RFC 3986 3.2.2). Pure."""


def authority(address: str, port: int) -> str:
    """`192.0.2.1:9862` or `[2001:db8::1]:9862`."""
    return f"[{address}]:{port}" if ":" in address else f"{address}:{port}"
