"""`whichhop evidence`: a report that a provider can act on, or what is missing to claim anything."""

import argparse
import sys
import tempfile
from contextlib import ExitStack
from pathlib import Path

from whichhop.app.agent_addresses import DAY_NS, SETTLED_NS
from whichhop.app.dossier import Order, assemble
from whichhop.cli.collecting import ask_agents, import_files
from whichhop.cli.times import local_text, parse_time
from whichhop.cli.zone import machine_zone
from whichhop.compare.windows.table import whole_ticks
from whichhop.config.check import House, read_house
from whichhop.config.keys import derive_keys, key_path_for, read_key
from whichhop.daemon.options import default_store
from whichhop.errors import DataError, WhichhopError
from whichhop.model.dossier import Dossier
from whichhop.model.units import NS_PER_MINUTE
from whichhop.net.clock import SystemClock
from whichhop.report.blocks import Notice
from whichhop.report.contents import SECTIONS
from whichhop.report.figures_csv import figures_csv
from whichhop.report.html import page
from whichhop.report.seal import data_signature, public_half, seal_of, sealed, sealed_paper
from whichhop.report.wire_form import dossier_bytes
from whichhop.store.store import Store
from whichhop.wire.time_stamp import request

EPILOG = """\
examples:
  whichhop evidence alder.yaml --from 2026-03-01T18:00 --to 2026-03-02T00:00 --html evening.html
  whichhop evidence alder.yaml --records evening/ --html evening.html --pdf evening.pdf --csv evening.csv
  whichhop evidence alder.yaml --offline --redact --html to-share.html

Exit code 0 when the evidence holds the provider to something, 1 when it does not; the report then says what
to collect. Page and PDF are signed with the home's key when that is at hand; `whichhop verify` checks either.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The verb's arguments."""
    parser.epilog = EPILOG
    parser.add_argument("home", type=Path, metavar="HOME", help="the home file (YAML)")
    parser.add_argument("--from", dest="start", metavar="TIME", help="begin (default: a day before the end)")
    parser.add_argument("--to", dest="end", metavar="TIME", help="end (default: the last minute stored)")
    parser.add_argument("--key", type=Path, metavar="FILE", help="the key file (default: HOME's name, .key)")
    parser.add_argument("--store", type=Path, metavar="FILE", help="where collected records are kept")
    parser.add_argument("--offline", action="store_true", help="ask no agent; use what is kept already")
    parser.add_argument("--records", type=Path, metavar="DIR", help="use the *.jsonl files there instead")
    parser.add_argument("--html", type=Path, metavar="FILE", help="write the report as a page")
    parser.add_argument("--pdf", type=Path, metavar="FILE", help="write the same on paper")
    parser.add_argument("--csv", type=Path, metavar="FILE", help="write the figures as CSV")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the report's data as JSON")
    parser.add_argument("--redact", action="store_true", help="replace names and addresses by stand-ins")
    parser.add_argument(
        "--time-request",
        type=Path,
        metavar="FILE",
        help="write a request for a third party's time-stamp over the page (RFC 3161); nothing is sent",
    )


def _secret(args: argparse.Namespace) -> bytes | None:
    """The signing key; None when the home has no key here, an error when a key was named and is not there."""
    path = args.key or key_path_for(args.home)
    if args.key is None and not path.exists():
        return None
    return derive_keys(read_key(path)).evidence


def _span(args: argparse.Namespace, store: Store) -> tuple[int, int]:
    kept = store.span()
    if kept is None:
        raise DataError("no records are kept here; collect some first, or give --records")
    latest = min((kept[1] + 1) * NS_PER_MINUTE, SystemClock().utc_ns() - SETTLED_NS)
    if args.records:
        latest = (kept[1] + 1) * NS_PER_MINUTE
    end = min(parse_time(args.end, "--to", latest), latest)
    start = max(parse_time(args.start, "--from", end - DAY_NS), kept[0] * NS_PER_MINUTE)
    if start >= end:
        raise DataError(
            f"nothing is kept in that span; there are records from {local_text(kept[0] * NS_PER_MINUTE)}"
            f" to {local_text(latest)}"
        )
    return whole_ticks(start, end)


def _dossier(args: argparse.Namespace, house: House, secret: bytes | None) -> Dossier:
    with ExitStack() as stack:
        if args.records:
            folder = stack.enter_context(tempfile.TemporaryDirectory())
            path = Path(folder) / "records.db"
        else:
            path = args.store or default_store(f"{args.home.stem}.collected")
        store = stack.enter_context(Store.make(path))
        if args.records:
            import_files(args.records, store)
        elif not args.offline:
            ask_agents(args, house.home, store)
        start, end = _span(args, store)
        dossier = assemble(
            store,
            Order(
                house=house,
                start_ns=start,
                end_ns=end,
                made_ns=SystemClock().utc_ns(),
                zone=house.home.zone or machine_zone(),
                redact=args.redact,
                # Files carry no chain, and that of the passing store would mean nothing to anybody.
                with_chains=not args.records,
                public_key=public_half(secret) if secret else None,
            ),
        )
    if dossier is None:
        raise DataError(f"none of {house.home.name}'s sessions was measured in that span; name another one")
    return dossier


def _write(path: Path, data: bytes) -> None:
    try:
        path.write_bytes(data)
    except OSError as trouble:
        raise DataError(f"{path}: cannot be written ({trouble.strerror}); check the folder") from trouble
    sys.stdout.write(f"written: {path}\n")


def _outputs(args: argparse.Namespace, dossier: Dossier, secret: bytes | None) -> None:
    if args.html or args.time_request:
        text = page(dossier)
        seal = seal_of(text, secret)
        if args.html:
            _write(args.html, sealed(text, seal).encode())
        if args.time_request:
            nonce = int.from_bytes(bytes.fromhex(seal.sha256)[:8], "big")
            _write(args.time_request, request(bytes.fromhex(seal.sha256), nonce))
    if args.pdf:
        from whichhop.report.pdf import pdf

        signature = data_signature(dossier_bytes(dossier), secret) if secret else None
        paper = pdf(dossier, signature)
        _write(args.pdf, sealed_paper(paper, seal_of(paper, secret)))
    if args.csv:
        _write(args.csv, figures_csv(dossier).encode())
    if args.json:
        _write(args.json, dossier_bytes(dossier))


def run(args: argparse.Namespace) -> int:
    """Write the report. Exit code 0 when it holds the provider to something, else 1."""
    if args.records and args.offline:
        raise WhichhopError("--records and --offline exclude each other; give one")
    if args.time_request and not args.html:
        raise WhichhopError("--time-request is about the page; give --html FILE too")
    house = read_house(args.home)
    secret = _secret(args)
    if secret is None:
        sys.stderr.write(f"{key_path_for(args.home)}: no key there, so the report is not signed\n")
    dossier = _dossier(args, house, secret)
    for block in SECTIONS[0](dossier).blocks:
        if isinstance(block, Notice):
            sys.stdout.write(f"{block.head}\n{block.text}\n")
    if dossier.claim is not None:
        sys.stdout.writelines(f"To collect: {m}\n" for m in dossier.claim.missing)
    _outputs(args, dossier, secret)
    return 0 if dossier.claim is not None and dossier.claim.made else 1
