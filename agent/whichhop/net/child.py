"""Child processes: started so that only our own code runs, read within bounds, gone when no longer wanted."""

import asyncio
import contextlib
import os
import sys
from asyncio.subprocess import PIPE, Process
from collections.abc import AsyncIterator, Callable, Sequence
from typing import Protocol

from msgspec import Struct

from whichhop.errors import DataError, SystemRefusedError

MOST_OUTPUT = 16 << 20
"""Octets of a whole answer; a modem's levels and a route have some kilobytes."""
LONGEST_LINE = 1 << 20
"""Octets of a line; what a transfer saw, a number each 50 ms of a minute, has a tenth of it."""
MOST_ERRORS = 64 * 1024
"""Octets kept of what a child complains of: its last line is what counts."""
END_S = 5.0
"""How long a child that was asked to end may take before it is killed."""


def our_module(module: str, *words: str) -> list[str]:
    """The command line of a module of ours, run by this interpreter (see child_start)."""
    return [sys.executable, "-P", "-m", "whichhop.net.child_start", str(os.getpid()), module, *words]


class Ended(Struct, frozen=True, kw_only=True):
    """What a child that ran to its end said. code: negative for a signal, as subprocess has it."""

    code: int
    out: bytes
    err: bytes

    @property
    def first_error(self) -> str:
        """The first line it complained of."""
        return (self.err.decode(errors="replace").splitlines() or ["no reason given"])[0]

    def last_error(self, otherwise: str = "no message") -> str:
        """The last line it complained of; of one that a signal ended, which."""
        lines = self.err.decode(errors="replace").strip().splitlines()
        if not lines and self.code < 0:
            return f"ended by signal {-self.code}"
        return lines[-1][:500] if lines else otherwise


class RunChild(Protocol):
    """Runs a child to its end; whoever keeps account of children offers the same."""

    async def __call__(
        self,
        argv: Sequence[str],
        *,
        given: bytes = b"",
        most_s: float,
        pass_fds: Sequence[int] = (),
        hear: Callable[[bytes], None] | None = None,
    ) -> Ended:
        """See run_child."""
        ...


@contextlib.asynccontextmanager
async def started(
    argv: Sequence[str],
    *,
    line_octets: int = 1 << 16,
    pass_fds: Sequence[int] = (),
    end_s: float = END_S,
) -> AsyncIterator[Process]:
    """A child with three pipes; when the block is left it is ended, and killed when it does not.

    SystemRefusedError when the system refuses it: no processes, memory or descriptors left.
    """
    try:
        child = await asyncio.create_subprocess_exec(
            *argv, stdin=PIPE, stdout=PIPE, stderr=PIPE, limit=line_octets, pass_fds=tuple(pass_fds)
        )
    except OSError as trouble:
        raise SystemRefusedError(f"could not be started ({trouble.strerror or trouble})") from trouble
    try:
        yield child
    finally:
        await asyncio.shield(_end(child, end_s))


async def _end(child: Process, end_s: float) -> None:
    if child.stdin is not None:
        child.stdin.close()
    if child.returncode is None:
        with contextlib.suppress(ProcessLookupError):
            child.terminate()
        try:
            async with asyncio.timeout(end_s):
                await child.wait()
        except TimeoutError:
            with contextlib.suppress(ProcessLookupError):
                child.kill()
            await child.wait()
    # The pipes' transports go with the process, but for one whose other end a grandchild still holds.
    transport = getattr(child, "_transport", None)
    if transport is not None:
        transport.close()


async def run_child(
    argv: Sequence[str],
    *,
    given: bytes = b"",
    most_s: float,
    pass_fds: Sequence[int] = (),
    hear: Callable[[bytes], None] | None = None,
    end_s: float = END_S,
) -> Ended:
    """Run a child to its end, `given` on its stdin; TimeoutError after `most_s`.

    end_s: how long it may take to end when it is asked to.

    hear: takes each line as it comes, and what it raises ends the child; `out` is then empty.
    SystemRefusedError when it cannot be started, DataError when it says more than MOST_OUTPUT.
    """
    begun = started(argv, line_octets=LONGEST_LINE, pass_fds=pass_fds, end_s=end_s)
    async with asyncio.timeout(most_s), begun as child:
        assert child.stdin is not None  # noqa: S101 - all three are pipes
        assert child.stdout is not None  # noqa: S101
        assert child.stderr is not None  # noqa: S101
        out, err, _ = await asyncio.gather(
            _whole(child.stdout) if hear is None else _lines(child.stdout, hear),
            _last(child.stderr),
            _give(child.stdin, given),
        )
        return Ended(code=await child.wait(), out=out, err=err)


async def _give(stdin: asyncio.StreamWriter, given: bytes) -> None:
    # A child that ends without reading all of it says by its code what was wrong.
    with contextlib.suppress(BrokenPipeError, ConnectionResetError):
        stdin.write(given)
        await stdin.drain()
        stdin.close()


async def _whole(pipe: asyncio.StreamReader) -> bytes:
    pieces, octets = [], 0
    while piece := await pipe.read(1 << 16):
        octets += len(piece)
        if octets > MOST_OUTPUT:
            raise DataError(f"a child process said more than {MOST_OUTPUT >> 20} MB; it was ended")
        pieces.append(piece)
    return b"".join(pieces)


async def _lines(pipe: asyncio.StreamReader, hear: Callable[[bytes], None]) -> bytes:
    while True:
        try:
            line = await pipe.readline()
        except ValueError:
            raise DataError(f"a child process said a line of more than {LONGEST_LINE} octets") from None
        if not line:
            return b""
        hear(line)


async def _last(pipe: asyncio.StreamReader) -> bytes:
    kept = b""
    while piece := await pipe.read(1 << 12):
        kept = (kept + piece)[-MOST_ERRORS:]
    return kept
