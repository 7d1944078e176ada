"""Runs the process that moves a transfer's data, and passes on what it says."""

import asyncio
import contextlib
import json
import sys
from collections.abc import Callable
from typing import Any

import msgspec

from whichhop.errors import RemoteError
from whichhop.probes.http_talk import FetchSpec
from whichhop.probes.transfer_talk import AskSpec

CHILD_MOST_S = 60.0

Tell = Callable[[dict[str, Any]], None]


class NeverBegunError(Exception):
    """Nothing was sent, so nothing is charged."""


async def run_child(spec: AskSpec | FetchSpec, tell: Tell) -> dict[str, Any]:
    """What a child says at its end; NeverBegunError when nothing was sent, RemoteError when it broke off."""
    module = "http_child" if isinstance(spec, FetchSpec) else "transfer_child"
    child = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        f"whichhop.probes.{module}",
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
    )
    assert child.stdin is not None  # noqa: S101 - both are pipes
    assert child.stdout is not None  # noqa: S101
    said: dict[str, Any] = {}
    try:
        child.stdin.write(msgspec.json.encode(spec) + b"\n")
        child.stdin.close()
        async with asyncio.timeout(CHILD_MOST_S):
            async for row in child.stdout:
                said = json.loads(row)
                if "progress" in said:
                    tell(said)
            await child.wait()
    except TimeoutError:
        said = {"failed": f"not done within {CHILD_MOST_S:g} s", "began": True}
    finally:
        if child.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                child.kill()
            await child.wait()
    if "done" in said:
        done: dict[str, Any] = said["done"]
        return done
    text = str(said.get("failed") or f"the process that moves the data ended with code {child.returncode}")
    if said.get("began") is False:
        raise NeverBegunError(text)
    raise RemoteError(text)
