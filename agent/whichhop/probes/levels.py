"""Reads a modem's levels now and then, each time by a short child process that cannot hold the daemon up."""

import asyncio
import sys

import msgspec

from whichhop.errors import RemoteError
from whichhop.model.channel import ModemLevels
from whichhop.model.levels_source import LevelsSource
from whichhop.net.clock import Clock
from whichhop.outside import OutsideError, typed
from whichhop.probes.levels_talk import LevelsAnswer, LevelsRequest

WAIT_S = 5.0
"""For each answer from the network; modems' pages are slow but seldom that slow."""
TOLD = 2
"""The child's exit code when it said in one line what is wrong."""
MOST_ANSWER = 4 << 20
WHOLE_S = 30.0
"""For a whole reading: a page that trickles in for ever is cut off here."""


async def read_levels(
    node: str, source: LevelsSource, clock: Clock, wait_s: float = WAIT_S, whole_s: float = WHOLE_S
) -> ModemLevels:
    """One reading of the modem `node`.

    RemoteError, with one clear line, when it cannot be had: a gap in the readings, never a lost packet.
    """
    child = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "whichhop.probes.levels_child",
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )
    request = msgspec.json.encode(LevelsRequest(source=source, timeout_s=wait_s))
    try:
        async with asyncio.timeout(whole_s):
            out, err = await child.communicate(request)
    except TimeoutError:
        raise RemoteError(
            f"{source.words}: no whole reading within {whole_s:g} s; check the address, or read it less often"
        ) from None
    finally:
        if child.returncode is None:
            child.kill()
            await child.wait()
    if child.returncode != 0:
        last = (err.decode(errors="replace").strip().splitlines() or ["it ended without a word"])[-1]
        raise RemoteError(last if child.returncode == TOLD else f"{source.words}: reading failed: {last}")
    try:
        answer = typed(out, f"{source.words}: the process that reads it", LevelsAnswer, most=MOST_ANSWER)
    except OutsideError as wrong:
        raise RemoteError(str(wrong)) from None
    return ModemLevels(
        node=node,
        at_ns=clock.utc_ns() if answer.at_ns is None else answer.at_ns,
        channels=answer.channels,
        dsl=answer.dsl,
        receive_dbm=answer.receive_dbm,
        remarks=answer.remarks,
    )
