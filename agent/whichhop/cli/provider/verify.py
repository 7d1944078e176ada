"""`whichhop verify`: holds a report against the raw records and says which figure does not come out again."""

import argparse
import base64
import json
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from pathlib import Path

import msgspec
from msgspec import to_builtins
from msgspec.structs import replace

from whichhop import __version__
from whichhop.app.reported.dossier import Order, assemble
from whichhop.app.reported.report_checks import (
    agent_checks,
    maker_check,
    page_checks,
    paper_checks,
    proof,
    said_checks,
    simple,
    time_check,
)
from whichhop.app.stored.collect import import_files
from whichhop.config.check import House, read_house
from whichhop.config.files import STORE_HEAD, read_small, write_output
from whichhop.config.keys import derive_keys, key_path_for, read_key
from whichhop.config.trusted_keys import add_trusted, is_key_name, read_trusted, trusted_keys_path
from whichhop.errors import DataError, WhichhopError
from whichhop.model import Record
from whichhop.model.chain_signature import fingerprint
from whichhop.model.dossier import Dossier
from whichhop.report.checks import FigureCheck, checks
from whichhop.report.html import dossier_part
from whichhop.report.printed import report_data
from whichhop.report.seal import Seal, public_half, sealed, unsealed, unsealed_paper
from whichhop.report.wire_form import dossier_bytes, read_dossier
from whichhop.store.files import read_file
from whichhop.store.store import Store

EPILOG = """\
examples:
  whichhop verify evening.html whichhop.db --trust K7QF-2M6X-ABCD-EFGH-2345
  whichhop verify evening.pdf desk.jsonl router.jsonl.gz --trust K7QF-2M6X-ABCD-EFGH-2345 --remember
  whichhop verify to-share.html whichhop.db --home alder.yaml     a report with stand-ins
  whichhop verify evening.html --attach-time evening.tsr --authority tsa.pem

A report proves something only to who knows its maker's key: ask the maker for the fingerprint by another way
than the report and give it with --trust. Kept keys stand in whichhop/trusted-keys of your settings.
Exit code 0 when everything holds, 1 when something does not or the key is unknown.
"""
_TWISTED = (LookupError, ValueError, TypeError, AttributeError, ArithmeticError, AssertionError)
"""What well-formed data of a home that is none brings forth: no whichhop wrote it."""
"""How every such file begins (SQLite's own file format, section 1.3)."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The verb's arguments."""
    parser.epilog = EPILOG
    parser.add_argument("report", type=Path, metavar="REPORT", help="the page, the PDF, or the data as JSON")
    parser.add_argument(
        "records",
        type=Path,
        nargs="*",
        metavar="RECORDS",
        help="a store's file, or interchange files or folders",
    )
    parser.add_argument(
        "--home", type=Path, metavar="HOME", help="the home file, for a report with stand-ins"
    )
    parser.add_argument(
        "--trust",
        metavar="FINGERPRINT",
        help="the maker's key, as the maker told it by another way; none for a report that is not signed",
    )
    parser.add_argument("--remember", action="store_true", help="keep the key of --trust as a trusted one")
    parser.add_argument("--key", type=Path, metavar="FILE", help="the home's key file, for one's own reports")
    parser.add_argument(
        "--authority",
        type=Path,
        metavar="FILE",
        help="certificates of time-stamping authorities (PEM)",
    )
    parser.add_argument(
        "--attach-time", type=Path, metavar="FILE", help="a time-stamp response to keep in it"
    )
    parser.add_argument("--json", action="store_true", help="print data instead of text")


_MOST_OCTETS = 256 << 20
"""Of a report or a certificate; a report of a week with all its drawings has some megabytes."""


_NO_REPORT = "not a report; give first the page, the PDF, or its data as JSON, then the records"


def _is_data(text: str) -> bool:
    """Whether it may be a report's bare data, and no other file given in its place."""
    try:
        return "form" in msgspec.json.decode(text, type=dict[str, msgspec.Raw])
    except (msgspec.MsgspecError, RecursionError):
        return False


def _bytes(path: Path) -> bytes:
    found = read_small(path, _MOST_OCTETS)
    if found is None:
        raise DataError(f"{path}: cannot be read (No such file or directory); check the name")
    if len(found) > _MOST_OCTETS:
        raise DataError(
            f"{path}: more than {_MOST_OCTETS >> 20} MB; give the page, the PDF, or its data as JSON"
        )
    return found


def _text(path: Path) -> str:
    try:
        return _bytes(path).decode()
    except UnicodeDecodeError:
        raise DataError(f"{path}: {_NO_REPORT}") from None


def _read_paper(path: Path, data: bytes) -> tuple[Dossier, list[FigureCheck]]:
    paper, seal = unsealed_paper(data, str(path))
    part, signature = report_data(paper, str(path))
    if part is None:
        raise DataError(f"{path}: a PDF without a report's data; give one that `whichhop evidence` wrote")
    dossier = read_dossier(part, str(path))
    if dossier_bytes(dossier) != part:
        raise DataError(f"{path}: its data was written by something else; get the report again")
    return dossier, list(paper_checks(paper, seal, dossier, signature, str(path)))


def _own_key(args: argparse.Namespace) -> str | None:
    """The public half of the home's own key where it is at hand."""
    path = args.key or (key_path_for(args.home) if args.home else None)
    if path is None or (args.key is None and not path.exists()):
        return None
    return public_half(derive_keys(read_key(path)).evidence)


def _is_store(path: Path) -> bool:
    return path.is_file() and (read_small(path, len(STORE_HEAD)) or b"").startswith(STORE_HEAD)


def _opened(paths: Sequence[Path], stack: ExitStack) -> Store:
    if any(_is_store(p) for p in paths):
        if len(paths) > 1:
            raise DataError("give one store's file, or interchange files, not both")
        return stack.enter_context(Store.open(paths[0], read_only=True))
    folder = stack.enter_context(tempfile.TemporaryDirectory())
    store = stack.enter_context(Store.open(Path(folder) / "records.db"))
    for path in paths:
        if path.is_dir():
            import_files(path, store)
            continue
        everything = read_file(path)
        store.append_all(
            (x for x in everything if isinstance(x, Record)),
            (x for x in everything if not isinstance(x, Record)),
        )
    return store


def _chain_checks(store: Store, dossier: Dossier, from_files: bool) -> Iterator[FigureCheck]:
    if from_files:
        return
    reports = {r.origin.hex(): r for r in store.verify()}
    for chain in dossier.chains:
        name = f"chain {chain.agent}"
        found = reports.get(chain.origin)
        if found is None:
            yield simple(name, "there is no such chain in these records")
            continue
        yield from agent_checks(chain, store.link_at)
        link = store.link_at(bytes.fromhex(chain.origin), chain.last_seq)
        if found.trouble:
            yield simple(name, found.trouble)
        elif link is None:
            yield simple(name, f"its record {chain.last_seq} is not kept here any more")
        else:
            same = link.hex() == chain.head
            yield simple(name, "" if same else f"its head at record {chain.last_seq} is another one")


def _house(dossier: Dossier, home_file: Path | None) -> House:
    if home_file is not None:
        return read_house(home_file)
    if dossier.redacted or dossier.cable_run:
        why = "has stand-ins for names" if dossier.redacted else "rests on the cable run in the home file"
        raise DataError(f"this report {why}; give --home HOME, so that it can be made again")
    return House(home=dossier.home, run=None, boxes=())


def _rebuilt(store: Store, dossier: Dossier, house: House) -> Dossier:
    found = assemble(
        store,
        Order(
            house=house,
            start_ns=dossier.start_ns,
            end_ns=dossier.end_ns,
            made_ns=dossier.made_ns,
            zone=dossier.zone,
            redact=dossier.redacted,
            with_chains=False,
            public_key=dossier.public_key,
            calls=() if dossier.redacted else dossier.calls,
            levels_alone=dossier.levels_alone,
        ),
    )
    if found is None:
        raise DataError(
            "these records hold nothing of the report's home and span; give the ones it was made from"
        )
    return found


def _attach(
    path: Path, text: str, seal: Seal | None, response: bytes, authority: bytes | None
) -> FigureCheck:
    if seal is None:
        raise DataError(f"{path}: carries no seal, so there is nothing a time-stamp could be for")
    done = time_check(response, seal, authority)
    if done.holds:
        kept = replace(seal, time_response=base64.b64encode(response).decode())
        write_output(path, sealed(text, kept).encode())
    return done


def _say(found: Sequence[FigureCheck], notes: Sequence[str], proof: str, as_data: bool) -> None:
    bad = [c for c in found if not c.holds]
    if as_data:
        checked = [to_builtins(c) for c in found]
        data = {"holds": not bad, "checked": len(found), "checks": checked, "notes": notes, "proof": proof}
        sys.stdout.write(json.dumps(data, indent=2) + "\n")
        return
    for c in bad:
        sys.stdout.write(
            f"fails: {c.name}: {c.said}" + (f"; the records give {c.found}" if c.found else "") + "\n"
        )
    for c in found:
        if c.holds and c.name.startswith(("seal", "page", "chain", "time", "maker", "agent")):
            sys.stdout.write(f"holds: {c.name}{'' if c.said == 'holds' else f': {c.said}'}\n")
    sys.stdout.writelines(f"note: {n}\n" for n in notes)
    sys.stdout.write(f"{len(found) - len(bad)} of {len(found)} checks hold\n{proof}\n")


def _read_page(args: argparse.Namespace, notes: list[str]) -> tuple[Dossier, list[FigureCheck]]:
    whole = _text(args.report)
    text, seal = unsealed(whole, str(args.report))
    part = dossier_part(text)
    data = part if part is not None else whole.encode()
    if part is None and not _is_data(whole):
        raise DataError(f"{args.report}: {_NO_REPORT}")
    dossier = read_dossier(data, str(args.report))
    authority = _bytes(args.authority) if args.authority else None
    if part is None:
        notes.append("bare data carries no seal; page and PDF do")
        found = [simple("seal", "bare data carries none" if dossier.public_key else "")]
    else:
        found = list(page_checks(text, seal, dossier, authority))
    if args.attach_time:
        found.append(_attach(args.report, text, seal, _bytes(args.attach_time), authority))
    return dossier, found


def run(args: argparse.Namespace) -> int:
    """Check. Exit code 0 when all hold, 1 when one does not."""
    if args.trust and args.trust.lower() != "none" and not is_key_name(args.trust):
        raise WhichhopError(f"--trust {args.trust[:40]!r} is no fingerprint; copy it as the report prints it")
    notes: list[str] = []
    raw = _bytes(args.report)
    if raw.startswith(b"%PDF"):
        if args.attach_time:
            raise DataError(f"{args.report}: a time-stamp is kept in the page; give the HTML file")
        dossier, found = _read_paper(args.report, raw)
    else:
        dossier, found = _read_page(args, notes)
    known = {} if args.trust else read_trusted(trusted_keys_path())
    found.insert(0, maker_check(dossier, args.trust, known, _own_key(args)))
    if args.records:
        from_files = not any(_is_store(p) for p in args.records)
        with ExitStack() as stack:
            store = _opened(args.records, stack)
            found += _chain_checks(store, dossier, from_files)
            house = _house(dossier, args.home)
            found += said_checks(dossier, house.home if args.home else None, store.calls().values())
            if dossier.calls and not store.calls():
                notes.append("the call log is what the customer wrote down; these records hold none")
            try:
                found += checks(dossier, _rebuilt(store, dossier, house))
            except DataError as damage:  # a record that cannot be read is a changed one
                found.append(simple("records", str(damage)))
            except _TWISTED as trouble:
                found.append(simple("records", f"nothing can be made of its data ({type(trouble).__name__})"))
        if from_files and dossier.chains:
            notes.append("interchange files carry no chain; the samples' digests were checked instead")
    elif not args.attach_time:
        notes.append("no records were given, so no figure was worked out again")
    if dossier.software != __version__:
        notes.append(f"the report was made by version {dossier.software}, this is {__version__}")
    _say(found, notes, proof(found, dossier, bool(args.records)), args.json)
    holds = all(c.holds for c in found)
    if args.remember and holds and dossier.public_key and args.trust:
        add_trusted(trusted_keys_path(), fingerprint(dossier.public_key), f"of {dossier.home.name}")
    return 0 if holds else 1
