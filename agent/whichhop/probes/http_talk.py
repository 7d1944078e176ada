"""What the daemon tells the process that fetches or fills a URL: a plain record that travels as JSON."""

from typing import Literal

import msgspec


class FetchSpec(msgspec.Struct, frozen=True, kw_only=True, tag="fetch"):
    """Fetch a URL over and over (way "back"), or post to it ("out"), with `streams` connections at once.

    hosts: where the server may send us on to, beside the URL's own.
    limit_octets, whole: as in transfer_talk. probe_octets: what fresh connections beside it may cost.
    """

    url: str
    way: Literal["out", "back"]
    streams: int = 1
    limit_s: float = 10.0
    limit_octets: int = 100_000_000
    whole: bool = False
    probe_octets: int = 0
    hosts: tuple[str, ...] = ()
