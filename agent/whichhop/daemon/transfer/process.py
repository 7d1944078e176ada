"""Runs the process that moves a transfer's data, and passes on what it says."""

from collections.abc import Callable
from typing import Any

import msgspec

from whichhop.errors import RemoteError
from whichhop.net.child import LONGEST_LINE, RunChild, our_module
from whichhop.outside import json_of, mapping
from whichhop.probes.transfer_talk import AskSpec, FetchSpec

CHILD_MOST_S = 60.0
WHO = "the process that moves the data"

Tell = Callable[[dict[str, Any]], None]


class NeverBegunError(Exception):
    """Nothing was sent, so nothing is charged."""


async def move(spec: AskSpec | FetchSpec, tell: Tell, run: RunChild) -> dict[str, Any]:
    """What it says at its end; NeverBegunError when nothing was sent, RemoteError when it broke off."""
    module = "http_child" if isinstance(spec, FetchSpec) else "transfer_child"
    said: dict[str, Any] = {}

    def hear(line: bytes) -> None:
        nonlocal said
        said = mapping(json_of(line, WHO, most=LONGEST_LINE), WHO)
        if "progress" in said:
            tell(said)

    argv, given = our_module(f"whichhop.probes.{module}"), msgspec.json.encode(spec) + b"\n"
    try:
        ended = await run(argv, given=given, most_s=CHILD_MOST_S, hear=hear)
    except TimeoutError:
        raise RemoteError(f"not done within {CHILD_MOST_S:g} s") from None
    if "done" in said:
        return mapping(said["done"], WHO)
    text = str(said.get("failed") or f"{WHO} ended with code {ended.code}: {ended.last_error()}")
    if said.get("began") is False:
        raise NeverBegunError(text)
    raise RemoteError(text)
