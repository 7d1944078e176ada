"""Reads a modem's levels now and then, each time by a short child process that cannot hold the daemon up."""

import msgspec

from whichhop.errors import RemoteError, WhichhopError
from whichhop.model.channel import ModemLevels
from whichhop.model.levels_source import LevelsSource
from whichhop.net.child import MOST_OUTPUT, RunChild, our_module, run_child
from whichhop.net.clock import Clock
from whichhop.outside import OutsideError, typed
from whichhop.probes.device_talk import LevelsAnswer, LevelsRequest

WAIT_S = 5.0
"""For each answer from the network; modems' pages are slow but seldom that slow."""
TOLD = 2
"""The child's exit code when it said in one line what is wrong."""
WHOLE_S = 30.0
"""For a whole reading: a page that trickles in for ever is cut off here."""


async def read_levels(
    node: str,
    source: LevelsSource,
    clock: Clock,
    wait_s: float = WAIT_S,
    whole_s: float = WHOLE_S,
    *,
    run: RunChild = run_child,
) -> ModemLevels:
    """One reading of the modem `node`; `run` runs the process that reads.

    RemoteError, with one clear line, when it cannot be had: a gap in the readings, never a lost packet.
    """
    request = msgspec.json.encode(LevelsRequest(source=source, timeout_s=wait_s))
    try:
        ended = await run(our_module("whichhop.probes.levels_child"), given=request, most_s=whole_s)
    except TimeoutError:
        raise RemoteError(
            f"{source.words}: no whole reading within {whole_s:g} s; check the address, or read it less often"
        ) from None
    except WhichhopError as trouble:
        raise RemoteError(f"{source.words}: reading failed: its process {trouble}") from None
    if ended.code != 0:
        last = ended.last_error("it ended without a word")
        raise RemoteError(last if ended.code == TOLD else f"{source.words}: reading failed: {last}")
    try:
        answer = typed(
            ended.out, f"{source.words}: the process that reads it", LevelsAnswer, most=MOST_OUTPUT
        )
    except OutsideError as wrong:
        raise RemoteError(str(wrong)) from None
    return ModemLevels(
        node=node,
        at_ns=clock.utc_ns() if answer.at_ns is None else answer.at_ns,
        channels=answer.channels,
        dsl=answer.dsl,
        receive_dbm=answer.receive_dbm,
        remarks=answer.remarks,
        not_read=answer.not_read,
    )
