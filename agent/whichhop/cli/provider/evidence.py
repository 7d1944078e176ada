"""`whichhop evidence`: a report that a provider can act on, or what is missing to claim anything."""

import argparse
import csv
import io
import sys
from collections.abc import Sequence
from pathlib import Path

from whichhop.app.reported.dossier import Order, assemble
from whichhop.claim.pseudonyms import StandIns, stripped
from whichhop.cli.collecting import (
    add_source_arguments,
    add_span_arguments,
    nothing_measured,
    opened_for,
    span_of,
)
from whichhop.cli.outputs import refuse_over_inputs
from whichhop.cli.text import instant_text, machine_zone
from whichhop.compare.windows.table import whole_ticks
from whichhop.config.check import House, read_house
from whichhop.config.files import write_output
from whichhop.config.keys import derive_keys, key_path_for, read_key
from whichhop.daemon.options import default_store
from whichhop.errors import DataError, WhichhopError
from whichhop.model.chain_signature import fingerprint
from whichhop.model.dossier import Dossier
from whichhop.model.note import CallNote
from whichhop.net.clock import SystemClock
from whichhop.report.blocks import Notice
from whichhop.report.contents import SECTIONS, Paper
from whichhop.report.figures_csv import figures_csv
from whichhop.report.html import page
from whichhop.report.seal import data_signature, public_half, seal_of, sealed, sealed_paper
from whichhop.report.sections.line import not_given
from whichhop.report.sections.plain import sendable
from whichhop.report.time_stamp import request
from whichhop.report.wire_form import dossier_bytes
from whichhop.store.store import Store

EPILOG = """\
examples:
  whichhop evidence alder.yaml --from 2026-03-01T18:00 --to 2026-03-02T00:00 --html evening.html
  whichhop evidence alder.yaml --records evening/ --html evening.html --pdf evening.pdf --csv evening.csv
  whichhop evidence alder.yaml --pdf evening.pdf --letter letter.pdf --phone call.pdf --summary customer.html
  whichhop evidence alder.yaml --offline --redact --html to-share.html --stand-ins stand-ins.csv
  whichhop evidence alder.yaml --levels --pdf levels.pdf           the modem's levels alone

Letter, call script and summary are pages or PDFs, by the name's end (.html, .pdf), and carry the report's
data; what names the line (account, service address, modem) stands in the home file under contract and
equipment; calls are noted with `whichhop call-log`. Exit code 0 when the evidence holds the provider to
something, 1 when it does not; the report then says what to collect. Page and PDF are signed with the home's
key when that is at hand; `whichhop verify` checks either.
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
    parser.add_argument("--letter", type=Path, metavar="FILE", help="write a one-page letter to the provider")
    parser.add_argument(
        "--phone", type=Path, metavar="FILE", help="write a script for the call to the provider"
    )
    parser.add_argument("--summary", type=Path, metavar="FILE", help="write one page for the customer")
    parser.add_argument("--levels", action="store_true", help="report on the modem's levels alone")
    parser.add_argument(
        "--redact",
        action="store_true",
        help="replace names, addresses, account, modem and calls by stand-ins",
    )
    parser.add_argument(
        "--stand-ins",
        type=Path,
        metavar="FILE",
        help="with --redact: keep here, for yourself, what each stand-in means (CSV)",
    )
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


def _calls(args: argparse.Namespace) -> tuple[CallNote, ...]:
    """The call log, which is kept beside the collected records; empty where none is."""
    path = args.store or default_store(f"{args.home.stem}.collected")
    if not path.exists():
        return ()
    with Store.kept(path) as store:
        return tuple(store.calls().values())


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
                kept=True,
                public_key=public_half(secret) if secret else None,
                calls=_calls(args) if args.records else tuple(source.store.calls().values()),
                levels_alone=args.levels,
            ),
        )
        if dossier is None and args.levels:
            raise DataError(
                f"--levels: no level of a modem was read between {instant_text(start)} and"
                f" {instant_text(end)}; add"
                f" levels: to the modem in {args.home}, or name a longer span with --from"
            )
        if dossier is None:
            raise nothing_measured(source, start, end)
    return dossier


def _write(path: Path, data: bytes, mode: int | None = None) -> None:
    write_output(path, data, mode)
    sys.stdout.write(f"written: {path}\n")


_FILES = ("html", "pdf", "csv", "json", "letter", "phone", "summary", "time_request", "stand_ins")
_PAPERS = {"letter": Paper.LETTER, "phone": Paper.PHONE, "summary": Paper.SUMMARY}


def _papers(args: argparse.Namespace, dossier: Dossier, secret: bytes | None) -> None:
    """Letter, call script and summary; where nothing is claimed the first two are refused in one line."""
    for name, paper in _PAPERS.items():
        path: Path | None = getattr(args, name)
        if path is None:
            continue
        if paper is not Paper.SUMMARY and not sendable(dossier):
            sys.stdout.write(f"not written: {path}: the provider is held to nothing; see what to do above\n")
            continue
        if path.suffix.lower() == ".pdf":
            _write(path, _sealed_pdf(dossier, secret, paper))
        else:
            text = page(dossier, paper)
            _write(path, sealed(text, seal_of(text, secret)).encode())


def _sealed_pdf(dossier: Dossier, secret: bytes | None, paper: Paper) -> bytes:
    from whichhop.report.pdf import pdf

    signature = data_signature(dossier_bytes(dossier), secret) if secret else None
    made = pdf(dossier, signature, paper)
    return sealed_paper(made, seal_of(made, secret))


def _stand_in_table(path: Path, house: House, calls: Sequence[CallNote]) -> None:
    home = stripped(house.home)
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(("stand-in", "means"))
    writer.writerows(StandIns.of(home).table(home, sorted(calls, key=lambda c: c.at_ns)))
    _write(path, out.getvalue().encode(), mode=0o600)


def _outputs(args: argparse.Namespace, dossier: Dossier, secret: bytes | None) -> None:
    if args.html or args.time_request:
        text = page(dossier)
        seal = seal_of(text, secret)
        if args.html:
            _write(args.html, sealed(text, seal).encode())
        if args.time_request:
            _write(args.time_request, request(text.encode()))
    if args.pdf:
        _write(args.pdf, _sealed_pdf(dossier, secret, Paper.REPORT))
    _papers(args, dossier, secret)
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
    if args.stand_ins and not args.redact:
        raise WhichhopError("--stand-ins tells what a report's stand-ins mean; give --redact too")
    for name in _PAPERS:
        path = getattr(args, name)
        if path is not None and path.suffix.lower() not in (".html", ".htm", ".pdf"):
            raise WhichhopError(f"--{name} {path}: name a page or a PDF, such as {path.stem}.pdf")
    refuse_over_inputs(args, *_FILES)
    house = read_house(args.home)
    secret = _secret(args)
    if secret is None:
        sys.stderr.write(f"{key_path_for(args.home)}: no key there, so the report is not signed\n")
    dossier = _dossier(args, house, secret)
    for block in SECTIONS[0](dossier).blocks:
        if isinstance(block, Notice):
            sys.stdout.write(f"{block.head}\n{block.text}\n")
    if dossier.claim is not None:
        sys.stdout.writelines(f"Missing: {m}\n" for m in dossier.claim.missing)
    if sendable(dossier) and (missing := not_given(dossier)) and not args.redact:
        sys.stdout.write(
            f"The provider will ask for what {args.home} does not give: {', '.join(missing)}; add"
            f" it under contract:"
            " and equipment:\n"
        )
    _outputs(args, dossier, secret)
    if args.stand_ins:
        _stand_in_table(args.stand_ins, house, _calls(args))
    return 0 if sendable(dossier) else 1
