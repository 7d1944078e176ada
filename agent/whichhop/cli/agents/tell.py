"""`whichhop tell`: who is told of a fault and by which ways; `--test` sends one notice by each."""

import argparse
import asyncio
import json
import sys
from pathlib import Path
from typing import Any

from whichhop.config.check import read_home
from whichhop.daemon.notice.notices import send_once
from whichhop.daemon.notice.sending import missing
from whichhop.daemon.notice.words import test_document
from whichhop.errors import DataError
from whichhop.model import Home
from whichhop.model.figure_words import zone_of
from whichhop.model.notices import Notices, Way
from whichhop.net.child import run_child
from whichhop.net.clock import SystemClock

EPILOG = """\
examples:
  whichhop tell alder.yaml
  whichhop tell alder.yaml --test

Says by which ways a fault's beginning and end are told, and whether this machine can: the key `notices` of
the home file names them (whichhop home-file notices). --test sends one test notice by each way from this
machine, quiet hours or not, and says what came of it. Exit code 1: not every way took it.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The verb's arguments."""
    parser.epilog = EPILOG
    parser.add_argument("home", type=Path, metavar="HOME", help="the home file (YAML)")
    parser.add_argument("--test", action="store_true", help="send one test notice by each way")
    parser.add_argument("--json", action="store_true", help="print data instead of text")


def where(settings: Notices, way: Way) -> str:
    """Whom a way reaches, without any secret."""
    if way is Way.WEBHOOK and settings.webhook is not None:
        return settings.webhook.url or f"the address in {settings.webhook.url_file}"
    if way is Way.MAIL and settings.mail is not None:
        mail = settings.mail
        return f"{', '.join(mail.to)} by {mail.server} port {mail.port} ({mail.security})"
    return f"the program in {settings.command_file}"


async def _tests(home: Home, settings: Notices) -> dict[Way, dict[str, Any]]:
    now_ns = SystemClock().utc_ns()
    made = test_document(home.name, f"test-{now_ns // 1_000_000}", now_ns, zone_of(home))
    octets = json.dumps(made).encode()
    said = await asyncio.gather(*(send_once(run_child, settings, way, octets) for way in settings.ways))
    return {way: {"sent": one.ok, "answer": one.words} for way, one in zip(settings.ways, said, strict=True)}


def _quiet(settings: Notices) -> str:
    if settings.quiet_hours is None:
        return "no quiet hours"
    start, end = (f"{m // 60:02d}:{m % 60:02d}" for m in settings.quiet_hours)
    return f"quiet hours {start} to {end}"


def run(args: argparse.Namespace) -> int:
    """Say who is told, or send a test notice."""
    home = read_home(args.home)
    settings = home.notices
    if settings is None:
        raise DataError(
            f"{args.home}: nobody is told of faults; write for instance"
            " `notices: {webhook: {url: https://notices.example.net/home}}` in it"
            " (all its keys: whichhop home-file notices)"
        )
    rows: dict[Way, dict[str, Any]] = {
        way: {"where": where(settings, way), "trouble": missing(settings, way)} for way in settings.ways
    }
    if args.test:
        for way, found in asyncio.run(_tests(home, settings)).items():
            rows[way] |= found
    if args.json:
        sys.stdout.write(json.dumps({"home": home.name, "ways": rows}, indent=2) + "\n")
    else:
        sys.stdout.write(_text(home, settings, rows) + "\n")
    return 0 if all(row.get("sent", True) for row in rows.values()) else 1


def _text(home: Home, settings: Notices, rows: dict[Way, dict[str, Any]]) -> str:
    lines = [
        f"{home.name}: told are faults of {100 * settings.least_probability:.0f} % or more that last"
        f" {settings.least_s / 60:g} min or longer; {_quiet(settings)}."
    ]
    for way, row in rows.items():
        if "sent" in row:
            state = f"test notice {'sent' if row['sent'] else 'NOT sent'}: {row['answer']}"
        else:
            state = f"not from this machine: {row['trouble']}" if row["trouble"] else "this machine can send"
        lines.append(f"  {way:<8} to {row['where']}: {state}")
    if not any("sent" in row for row in rows.values()):
        lines.append("Notices come from an agent that compares (whichhop run HOME --node NAME --compare).")
    return "\n".join(lines)
