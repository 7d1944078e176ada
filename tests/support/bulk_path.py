"""A transfer through a chain of namespaces whose middle node has a token bucket; one call a transfer."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

from support.namespaces import V4, Path4
from whichhop.lab.build.plan import rate_lines

PORT = 8621


def shape(path: Path4, rate_bps: float, queue_s: float, node: str = "router", device: str = "edge") -> None:
    """A token bucket on a forwarding node: on the sender's own host the queue would not build up.

    A bucket of 8 ms: a shallower one loses tokens, and with them rate, whenever this machine is late.
    """
    for line in rate_lines(device, round(rate_bps), queue_s, relay=False, bucket_s=0.008):
        path.run(node, "tc", *line.split())


def transfer(
    path: Path4,
    sender: str,
    receiver: str,
    address: str,
    *,
    streams: int = 1,
    limit_s: float = 3.0,
    limit_octets: int = 10**12,
    port: int = PORT,
) -> tuple[dict[str, Any], dict[str, Any]]:
    """What the sending and the receiving half saw."""
    end = str(Path(__file__).with_name("bulk_end.py"))
    words = [address, str(port), str(streams)]
    with subprocess.Popen(
        path.argv(receiver, [sys.executable, end, "receive", *words]), stdout=subprocess.PIPE, text=True
    ) as listening:
        assert listening.stdout is not None
        assert listening.stdout.readline() == "ready\n"
        more = [str(limit_s), str(limit_octets)]
        sent = path.run(sender, sys.executable, end, "send", *words, *more)
        return json.loads(sent), json.loads(listening.stdout.read())


def to_far(path: Path4, **more: Any) -> tuple[dict[str, Any], dict[str, Any]]:
    """From host to far, through the bottleneck."""
    return transfer(path, "host", "far", V4["far"], **more)
