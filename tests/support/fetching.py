"""One run of the process that fetches or fills a URL; its last word."""

import json
import subprocess
import sys
from collections.abc import Callable, Sequence
from typing import Any

import msgspec

from whichhop.probes.transfer_talk import FetchSpec


def fetch(
    url: str,
    way: str = "back",
    *,
    inside: Callable[[list[str]], Sequence[str]] = lambda argv: argv,
    **more: Any,
) -> dict[str, Any]:
    """The child's last line; `inside` turns its command into one that runs in a namespace."""
    spec = msgspec.convert({"type": "fetch", "url": url, "way": way, **more}, FetchSpec)
    done = subprocess.run(
        inside([sys.executable, "-m", "whichhop.probes.http_child"]),
        input=msgspec.json.encode(spec) + b"\n",
        capture_output=True,
        check=False,
        timeout=60,
    )
    assert done.stdout, done.stderr
    said: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return said
