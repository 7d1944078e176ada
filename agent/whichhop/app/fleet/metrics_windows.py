"""The comparer's windows out of a Prometheus-compatible server, and a home judged by what it wrote there."""

import argparse
import re
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
from msgspec.structs import replace

from whichhop.compare.comparison import Comparison, compare_windows
from whichhop.compare.windows.compact import Written, table_of_written
from whichhop.compare.windows.filling import table_of_histograms
from whichhop.compare.windows.table import WindowTable
from whichhop.errors import DataError
from whichhop.model import Home, Reading, derive_sessions
from whichhop.model.units import NS_PER_S
from whichhop.net.http_client import fetch
from whichhop.printable import without_secrets
from whichhop.store.fleet_server import HomeWindows, read_in_pieces
from whichhop.store.metrics_server import MetricsServer

COARSER = (
    "coarser: quantiles are from histogram buckets, windows are {step_s} s long, as the agents were scraped;"
    " records tell more"
)
WRITTEN = "from the windows of ten seconds that the agents wrote; which way packets were lost is not in them"
PATIENCE_S = 60.0


def windows_of(home: Home, found: HomeWindows, start_ns: int, end_ns: int) -> WindowTable:
    """The whole ticks of a span; a column for each session of the home file that the server has."""
    keys = [s.key for s in derive_sessions(home) if s.key in found.of_sessions]
    written = Written(of_sessions=found.of_sessions, not_judged=found.not_judged, kernel=found.kernel)
    return table_of_written(keys, written, start_ns, end_ns)


def judged(
    home: Home, found: HomeWindows, start_ns: int, end_ns: int, *, changes_alone: bool = False
) -> Comparison | None:
    """What the windows of a span say; None where there are none of the home file's sessions."""
    table = windows_of(home, found, start_ns, end_ns)
    return compare_windows(home, table, found.readings, changes_alone=changes_alone)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What `compare` takes for this source."""
    parser.add_argument(
        "--prometheus", metavar="URL", help="judge what a server that scrapes the agents keeps; ask no agent"
    )
    parser.add_argument(
        "--select",
        action="append",
        default=[],
        metavar="LABEL=VALUE",
        help="which series there are this home's (default: home=NAME where they have that label)",
    )
    parser.add_argument(
        "--authorization",
        type=Path,
        metavar="FILE",
        help="a file with the Authorization header for that server, such as: Bearer abc",
    )


def _labels(words: list[str]) -> dict[str, str]:
    out = {}
    for word in words:
        label, equals, value = word.partition("=")
        if not equals or not (label.isascii() and label.isidentifier()):
            raise DataError(f"--select {word}: not a label and a value; write it as home=alder")
        out[label] = value
    return out


def authorization_of(file: Path | None) -> str:
    """The Authorization header that a file holds, "" for none; DataError where it holds no such line."""
    if file is None:
        return ""
    try:
        text = file.read_text().strip()
    except (OSError, ValueError) as trouble:
        why = trouble.strerror if isinstance(trouble, OSError) else "no text"
        raise DataError(f"--authorization {file}: cannot be read ({why}); name a text file") from None
    if not text.isprintable() or " " not in text:
        raise DataError(f"--authorization {file}: one line is wanted, such as: Bearer abc")
    return text


def server_base(given: str) -> str:
    """A metrics server's address as what is asked is put behind it; DataError where it is none of HTTP."""
    parts = given.partition("://")
    if parts[0] not in ("http", "https") or not re.fullmatch(r"[^/?#\s]+(/[^?#\s]*)?", parts[2]):
        raise DataError(
            f"--prometheus {without_secrets(given)}: no address of a metrics server;"
            " write it as http://127.0.0.1:9090"
        )
    return given.rstrip("/")


def _asker(args: argparse.Namespace) -> Callable[[str], bytes]:
    return partial(fetch, authorization=authorization_of(args.authorization), seconds=PATIENCE_S, of="server")


def _selected(server: MetricsServer, home: Home, end_ns: int) -> MetricsServer:
    """The server with the home's own series singled out."""
    if server.select:
        return server
    homes = server.homes(end_ns)
    if not homes:
        return server
    if home.name not in homes:
        raise DataError(
            f"{server.base} has series of {', '.join(sorted(homes))}, none of {home.name};"
            " say which are meant with --select home=NAME"
        )
    return MetricsServer(base=server.base, ask=server.ask, select={"home": home.name})


def _named(server: MetricsServer, home: Home) -> MetricsServer:
    """With what --select names, else by the home's name."""
    return server if server.select else replace(server, select={"home": home.name})


def windows_of_server(
    args: argparse.Namespace, home: Home, start_ns: int, end_ns: int
) -> tuple[WindowTable, list[Reading], str]:
    """Windows, readings, and a line on how coarse they are; RemoteError or DataError when there are none."""
    server = MetricsServer(base=server_base(args.prometheus), ask=_asker(args), select=_labels(args.select))
    wrote = read_in_pieces(_named(server, home), home.name, start_ns, end_ns)
    if wrote is not None:
        table = windows_of(home, wrote, start_ns, end_ns)
        if table.sent.any():
            return table, wrote.readings, WRITTEN
    server = _selected(server, home, end_ns)
    step_s = server.step_s(end_ns)
    found = server.read([s.key for s in derive_sessions(home)], start_ns, end_ns, step_s)
    table = table_of_histograms(
        found.sessions,
        start_ns=found.start_ns,
        step_ns=step_s * NS_PER_S,
        bounds_s=found.bounds_s,
        buckets=found.buckets,
        lost=found.lost,
        lost_out=found.lost_out,
        lost_back=found.lost_back,
        aside=found.aside,
    )
    heard = [table.sessions[i] for i in np.flatnonzero(table.sent.any(axis=0))]
    return table.picked(heard), list(found.readings), COARSER.format(step_s=step_s)
