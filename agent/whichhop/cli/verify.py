"""`whichhop verify`: holds a report against the raw records and says which figure does not come out again."""

import argparse
import base64
import binascii
import json
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import asdict, replace
from pathlib import Path

from whichhop import __version__
from whichhop.app.dossier import Order, assemble
from whichhop.cli.collecting import import_files
from whichhop.config.check import House, read_house
from whichhop.errors import DataError
from whichhop.model import Record
from whichhop.model.dossier import Dossier
from whichhop.report.attachments import report_data
from whichhop.report.checks import Check, checks
from whichhop.report.html import dossier_part, page
from whichhop.report.seal import Seal, data_signed, sealed, trouble, unsealed, unsealed_paper
from whichhop.report.wire_form import dossier_bytes, read_dossier
from whichhop.store.files import read_file
from whichhop.store.store import Store
from whichhop.wire.time_stamp import read_response

EPILOG = """\
examples:
  whichhop verify evening.html whichhop.db
  whichhop verify evening.pdf whichhop.db
  whichhop verify evening.html desk.jsonl router.jsonl.gz
  whichhop verify to-share.html whichhop.db --home alder.yaml     a report with stand-ins
  whichhop verify evening.html --attach-time evening.tsr          a third party's time-stamp, checked and kept

Exit code 0 when everything holds, 1 when something does not.
"""
SQLITE = b"SQLite format 3\0"
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
    parser.add_argument("--public-key", metavar="HEX", help="the key that must have signed it")
    parser.add_argument(
        "--attach-time", type=Path, metavar="FILE", help="a time-stamp response to keep in it"
    )
    parser.add_argument("--json", action="store_true", help="print data instead of text")


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as why:
        raise DataError(f"{path}: cannot be read ({why.strerror}); check the name") from why


def _text(path: Path) -> str:
    try:
        return _bytes(path).decode()
    except UnicodeDecodeError:
        raise DataError(f"{path}: not a report; give the page, the PDF, or its data as JSON") from None


def _simple(name: str, why: str) -> Check:
    return Check(name=name, holds=not why, said=why or "holds", found="")


def _page_checks(text: str, seal: Seal | None, dossier: Dossier, wanted_key: str | None) -> Iterator[Check]:
    yield _simple("seal", trouble(text, seal, dossier.public_key))
    if dossier.software == __version__:
        shows = page(dossier) == text
        yield _simple("page shows its data", "" if shows else "the page says something else than its data")
    if wanted_key is not None:
        yield _key_check(dossier, wanted_key)
    if seal is not None and seal.time_response is not None:
        yield _time_check(_decoded(seal.time_response), seal)


def _key_check(dossier: Dossier, wanted_key: str) -> Check:
    same = dossier.public_key is not None and dossier.public_key == wanted_key.lower()
    return _simple("signing key", "" if same else "signed by another key than the one given, or by none")


def _paper_checks(
    paper: bytes, seal: Seal | None, dossier: Dossier, signature: str | None, notes: list[str]
) -> Iterator[Check]:
    yield _simple("seal", trouble(paper, seal, dossier.public_key))
    if dossier.public_key is not None:
        good = signature is not None and data_signed(dossier_bytes(dossier), signature, dossier.public_key)
        yield _simple("signature of the data", "" if good else "it does not fit the data")
    if dossier.software == __version__:
        from whichhop.report.pdf import pdf

        if pdf(dossier, signature) == paper:
            yield _simple("page shows its data", "")
            return
    # Another version or other fonts set the same data otherwise, so this is no proof of a change.
    notes.append(
        "this machine sets the paper otherwise than it stands in the file: that what is printed is what the"
        " data says rests on the seal alone"
    )


def _read_paper(
    path: Path, data: bytes, wanted_key: str | None, notes: list[str]
) -> tuple[Dossier, list[Check]]:
    paper, seal = unsealed_paper(data, str(path))
    part, signature = report_data(paper)
    if part is None:
        raise DataError(f"{path}: a PDF without a report's data; give one that `whichhop evidence` wrote")
    dossier = read_dossier(part, str(path))
    found = list(_paper_checks(paper, seal, dossier, signature, notes))
    if wanted_key is not None:
        found.append(_key_check(dossier, wanted_key))
    return dossier, found


def _decoded(text: str) -> bytes:
    try:
        return base64.b64decode(text, validate=True)
    except binascii.Error:
        return b""


def _time_check(response: bytes, seal: Seal) -> Check:
    try:
        stamped = read_response(response)
    except DataError as why:
        return _simple("time-stamp", str(why))
    if stamped.digest.hex() != seal.sha256:
        return _simple("time-stamp", "it was given for another page")
    words = f"{stamped.at}, serial {stamped.serial}; its authority's signature is yours to check"
    return Check(name="time-stamp", holds=True, said=words, found="")


def _is_store(path: Path) -> bool:
    return path.is_file() and _bytes(path)[: len(SQLITE)] == SQLITE


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


def _chain_checks(store: Store, dossier: Dossier, from_files: bool) -> Iterator[Check]:
    if from_files:
        return
    reports = {r.origin.hex(): r for r in store.verify()}
    for chain in dossier.chains:
        name = f"chain {chain.agent}"
        found = reports.get(chain.origin)
        if found is None:
            yield _simple(name, "there is no such chain in these records")
            continue
        link = store.link_at(bytes.fromhex(chain.origin), chain.last_seq)
        if found.trouble:
            yield _simple(name, found.trouble)
        elif link is None:
            yield _simple(name, f"its record {chain.last_seq} is not kept here any more")
        else:
            same = link.hex() == chain.head
            yield _simple(name, "" if same else f"its head at record {chain.last_seq} is another one")


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
        ),
    )
    if found is None:
        raise DataError(
            "these records hold nothing of the report's home and span; give the ones it was made from"
        )
    return found


def _attach(path: Path, text: str, seal: Seal | None, response: bytes) -> Check:
    if seal is None:
        raise DataError(f"{path}: carries no seal, so there is nothing a time-stamp could be for")
    done = _time_check(response, seal)
    if done.holds:
        kept = replace(seal, time_response=base64.b64encode(response).decode())
        path.write_text(sealed(text, kept), encoding="utf-8")
    return done


def _say(found: Sequence[Check], notes: Sequence[str], as_data: bool) -> None:
    bad = [c for c in found if not c.holds]
    if as_data:
        data = {"holds": not bad, "checked": len(found), "checks": [asdict(c) for c in found], "notes": notes}
        sys.stdout.write(json.dumps(data, indent=2) + "\n")
        return
    for c in bad:
        sys.stdout.write(
            f"fails: {c.name}: {c.said}" + (f"; the records give {c.found}" if c.found else "") + "\n"
        )
    for c in found:
        if c.holds and c.name.startswith(("seal", "page", "chain", "time", "signing")):
            sys.stdout.write(f"holds: {c.name}{'' if c.said == 'holds' else f': {c.said}'}\n")
    sys.stdout.writelines(f"note: {n}\n" for n in notes)
    sys.stdout.write(f"{len(found) - len(bad)} of {len(found)} checks hold\n")


def _read_page(args: argparse.Namespace, notes: list[str]) -> tuple[Dossier, list[Check]]:
    whole = _text(args.report)
    text, seal = unsealed(whole, str(args.report))
    part = dossier_part(text)
    dossier = read_dossier(part if part is not None else whole.encode(), str(args.report))
    if part is None:
        notes.append("bare data carries no seal; page and PDF do")
        found = []
    else:
        found = list(_page_checks(text, seal, dossier, args.public_key))
    if args.attach_time:
        found.append(_attach(args.report, text, seal, _bytes(args.attach_time)))
    return dossier, found


def run(args: argparse.Namespace) -> int:
    """Check. Exit code 0 when all hold, 1 when one does not."""
    notes: list[str] = []
    raw = _bytes(args.report)
    if raw.startswith(b"%PDF"):
        if args.attach_time:
            raise DataError(f"{args.report}: a time-stamp is kept in the page; give the HTML file")
        dossier, found = _read_paper(args.report, raw, args.public_key, notes)
    else:
        dossier, found = _read_page(args, notes)
    if args.records:
        from_files = not any(_is_store(p) for p in args.records)
        with ExitStack() as stack:
            store = _opened(args.records, stack)
            found += _chain_checks(store, dossier, from_files)
            house = _house(dossier, args.home)
            try:
                found += checks(dossier, _rebuilt(store, dossier, house))
            except DataError as damage:  # a record that cannot be read is a changed one
                found.append(_simple("records", str(damage)))
        if from_files and dossier.chains:
            notes.append("interchange files carry no chain; the samples' digests were checked instead")
    elif not args.attach_time:
        notes.append("no records were given, so no figure was worked out again")
    if dossier.public_key is None:
        notes.append("the report is not signed: whoever changed it could have sealed it anew")
    if dossier.software != __version__:
        notes.append(f"the report was made by version {dossier.software}, this is {__version__}")
    _say(found, notes, args.json)
    return 0 if all(c.holds for c in found) else 1
