"""`whichhop evidence`: a report that a provider can act on, or what is missing to claim anything."""

import argparse
import sys
from pathlib import Path

from whichhop.app.dossier import Order, assemble
from whichhop.cli.collecting import add_source_arguments, opened_for
from whichhop.cli.span import add_span_arguments, nothing_measured, span_of
from whichhop.cli.zone import machine_zone
from whichhop.compare.windows.table import whole_ticks
from whichhop.config.check import House, read_house
from whichhop.config.keys import derive_keys, key_path_for, read_key
from whichhop.errors import DataError, WhichhopError
from whichhop.model.dossier import Dossier
from whichhop.model.fingerprint import fingerprint
from whichhop.net.clock import SystemClock
from whichhop.report.blocks import Notice
from whichhop.report.contents import SECTIONS
from whichhop.report.figures_csv import figures_csv
from whichhop.report.html import page
from whichhop.report.seal import data_signature, public_half, seal_of, sealed, sealed_paper
from whichhop.report.sections.answer import plan_is_missed
from whichhop.report.time_stamp import request
from whichhop.report.wire_form import dossier_bytes

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
    add_source_arguments(parser)
    add_span_arguments(parser)
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


def _dossier(args: argparse.Namespace, house: House, secret: bytes | None) -> Dossier:
    with opened_for(args, house) as source:
        start, end = span_of(args, source)
        start_ns, end_ns = whole_ticks(start, end)
        dossier = assemble(
            source.store,
            Order(
                house=house,
                start_ns=start_ns,
                end_ns=end_ns,
                made_ns=SystemClock().utc_ns(),
                zone=house.home.zone or machine_zone(),
                redact=args.redact,
                # Files carry no chain, and that of the passing store would mean nothing to anybody.
                with_chains=not args.records,
                public_key=public_half(secret) if secret else None,
            ),
        )
        if dossier is None:
            raise nothing_measured(source, start, end)
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
            _write(args.time_request, request(text.encode()))
    if args.pdf:
        from whichhop.report.pdf import pdf

        signature = data_signature(dossier_bytes(dossier), secret) if secret else None
        paper = pdf(dossier, signature)
        _write(args.pdf, sealed_paper(paper, seal_of(paper, secret)))
    if dossier.public_key and (args.html or args.pdf):
        sys.stdout.write(
            f"signed with the home's key {fingerprint(dossier.public_key)}: tell the reader this fingerprint"
            " by another way than the report\n"
        )
    if args.csv:
        _write(args.csv, figures_csv(dossier).encode())
    if args.json:
        _write(args.json, dossier_bytes(dossier))


def run(args: argparse.Namespace) -> int:
    """Write the report. Exit code 0 when it holds the provider to something, else 1."""
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
    held = dossier.claim is not None and dossier.claim.made
    return 0 if held or plan_is_missed(dossier) else 1
