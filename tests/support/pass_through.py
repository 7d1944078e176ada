"""Answers an SNMP agent from a table in a file: net-snmp's pass_persist protocol on stdin and stdout.

`python pass_through.py FILE`, started by the agent itself. The file is read anew for every
request, so a test or a demo changes what the emulated modem says by writing it.
"""

import json
import sys
from bisect import bisect_right
from pathlib import Path
from typing import TextIO

Oid = tuple[int, ...]


def read_table(path: Path) -> dict[Oid, tuple[str, int]]:
    """The table of a file that `write_table` wrote; empty while it is being replaced or missing."""
    try:
        rows = json.loads(path.read_text())
    except (OSError, ValueError):
        return {}
    return {tuple(map(int, oid.split("."))): (kind, value) for oid, kind, value in rows}


def write_table(path: Path, table: dict[Oid, tuple[str, int]]) -> None:
    """Put a table in place at once: a reader sees the old one or the new one."""
    rows = [[".".join(map(str, oid)), kind, value] for oid, (kind, value) in table.items()]
    part = path.with_suffix(".part")
    part.write_text(json.dumps(rows))
    part.replace(path)


def answer(table: dict[Oid, tuple[str, int]], verb: str, asked: Oid) -> str:
    """The three lines for an object, or for the one after it; NONE where there is none."""
    if verb == "get":
        found: Oid | None = asked if asked in table else None
    else:
        oids = sorted(table)
        place = bisect_right(oids, asked)
        found = oids[place] if place < len(oids) else None
    if found is None:
        return "NONE\n"
    kind, value = table[found]
    return f".{'.'.join(map(str, found))}\n{kind}\n{value}\n"


def serve(path: Path, requests: TextIO, replies: TextIO) -> None:
    """Answer until the agent closes its end; a set is always refused."""
    while line := requests.readline():
        verb = line.strip()
        if verb == "PING":
            reply = "PONG\n"
        elif verb in ("get", "getnext"):
            asked = tuple(int(n) for n in requests.readline().strip().split(".") if n)
            reply = answer(read_table(path), verb, asked)
        elif verb == "set":
            requests.readline()
            requests.readline()
            reply = "not-writable\n"
        else:
            return  # an empty line: the agent says goodbye
        replies.write(reply)
        replies.flush()


if __name__ == "__main__":
    serve(Path(sys.argv[1]), sys.stdin, sys.stdout)
