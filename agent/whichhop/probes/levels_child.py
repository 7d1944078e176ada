"""One reading of a modem in a short process of its own: a request on stdin, channels on stdout.

`python -m whichhop.probes.levels_child`. The SNMP library and a page of any size stay out of the daemon,
and no password shows in a list of processes.
"""

import asyncio
import os
import sys
from pathlib import Path

import msgspec

from whichhop.errors import DataError, RemoteError, SystemRefusedError, WhichhopError
from whichhop.model.levels_source import Fact, LevelsSource
from whichhop.outside import utf8
from whichhop.probes.device_talk import LevelsAnswer, LevelsRequest
from whichhop.wire.docs_mib import WALKS, channels_of
from whichhop.wire.level_columns import ColumnMap
from whichhop.wire.level_file import MOST_OCTETS, read_csv, read_json
from whichhop.wire.mibs import DSL_WALKS, dsl_of
from whichhop.wire.modem_table import TableReading, read_page

MOST_CPU_S = 20
"""Seconds of a core; the worst page of 2 MB that we know takes 3, and the daemon ends a reading after 30."""
MOST_MEMORY = 1 << 30
"""Octets of address space; the SNMP library and a page of 2 MB together take a fifth of it."""


def _names(source: LevelsSource) -> ColumnMap:
    return ColumnMap(
        headings={Fact(fact): heading for fact, heading in source.columns.items()},
        down=source.down,
        up=source.up,
        locked=source.locked,
    )


async def _by_snmp(source: LevelsSource, timeout_s: float) -> LevelsAnswer:
    from whichhop.probes.snmp_walk import SnmpTarget  # noqa: PLC0415 # 30 MB that a page or file need not load

    target = SnmpTarget(
        source.snmp or "", source.port, source.community, timeout_s, user_file=source.user_file
    )
    try:
        channels = channels_of(await target.walk(WALKS))
        dsl = () if channels else dsl_of(await target.walk(DSL_WALKS))
    finally:
        target.close()
    if not channels and not dsl:
        raise RemoteError(
            f"SNMP agent {source.snmp} answers, but shows no cable modem's tables (RFC 4546) "
            "nor a DSL line's (RFC 5650, RFC 2662); read the levels from its page instead"
        )
    return LevelsAnswer(channels=channels, dsl=dsl)


def _answer(found: TableReading, at_ns: int | None = None) -> LevelsAnswer:
    return LevelsAnswer(
        channels=found.channels,
        dsl=found.dsl,
        receive_dbm=found.receive_dbm,
        remarks=found.remarks,
        at_ns=at_ns,
        not_read=found.not_read,
    )


def _by_file(path: Path, names: ColumnMap) -> LevelsAnswer:
    """Channels of a file; they are as old as the file says, or as the file itself is."""
    try:
        with path.open("rb") as file:
            octets = file.read(MOST_OCTETS + 1)  # never the whole of a device or a pipe without end
            changed_ns = os.fstat(file.fileno()).st_mtime_ns
        text = utf8(octets, str(path))
    except OSError as trouble:
        raise SystemRefusedError(
            f"{path}: cannot be read: {trouble.strerror}; give the path of a CSV, JSON or HTML file"
        ) from trouble
    if len(octets) > MOST_OCTETS:
        raise DataError(f"{path}: more than {MOST_OCTETS} octets; give the file of the levels alone")
    at_ns: int | None = None
    head = text.lstrip()[:1]
    if head in ("{", "["):
        found, at_ns = read_json(text, str(path))
    elif head == "<":
        found = read_page(text, names, str(path))
    else:
        found = read_csv(text, names, str(path))
    return _answer(found, at_ns or changed_ns)


def answer(request: LevelsRequest) -> LevelsAnswer:
    """One reading from a source; a WhichhopError with one line when it cannot be had."""
    source = request.source
    if source.snmp is not None:
        return asyncio.run(_by_snmp(source, request.timeout_s))
    if source.page is not None:
        from whichhop.probes.modem_page import fetch_page  # noqa: PLC0415 # TLS only where it is needed

        found = read_page(fetch_page(source, request.timeout_s), _names(source), source.page)
        return _answer(found)
    return _by_file(Path(source.file or ""), _names(source))


def _bound() -> None:
    try:
        import resource  # noqa: PLC0415 # not everywhere
    except ImportError:
        return  # Windows has no such limits; whoever waits for the reading bounds its time
    resource.setrlimit(resource.RLIMIT_CPU, (MOST_CPU_S, MOST_CPU_S))
    resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY))


def main() -> int:
    """Answer one request, or say on stderr in one line why not, with exit code 2."""
    request = msgspec.json.decode(sys.stdin.buffer.read(), type=LevelsRequest)
    # A page is a stranger's: whatever it does to a parser ends with this process, and soon.
    _bound()
    try:
        line = msgspec.json.encode(answer(request))
    except MemoryError:
        sys.stderr.write(f"{request.source.words}: its answer takes more memory than a page of levels\n")
        return 2
    except WhichhopError as trouble:
        sys.stderr.write(f"{trouble}\n")
        return 2
    sys.stdout.buffer.write(line)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
