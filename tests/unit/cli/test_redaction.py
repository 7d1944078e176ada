"""`whichhop evidence --redact`: nothing private is left in any octet of what is shared, of any paper."""

import csv
import io
from collections.abc import Iterator
from pathlib import Path

import pypdf
import pytest
from pypdf.generic import StreamObject

from support.reported import recorded
from whichhop.cli import main
from whichhop.config.keys import create_key
from whichhop.lab.standard_home import HOME_FILE
from whichhop.model import Reading
from whichhop.model.note import CallNote
from whichhop.store.store import Store

pytestmark = pytest.mark.slow

SERVICE = """\
contract: {customer: Ana Example, account: "4400-118-22", address: 7 Quay Lane, product: Home Hundred}
equipment: {modem: {model: Coaxworks CM-32, mac: 00-00-5e-00-53-1f}}
"""
# MAC: RFC 7042 2.1.2; names and addresses: RFC 2606, RFC 5737.
MORE = """\
  uploads: [https://upload.example.net/secret-folder]
  resolvers: {keeper: 192.0.2.1}
  lookup: house.example.org
"""
PRIVATE = (
    *("Ana Example", "4400-118-22", "7 Quay Lane", "Home Hundred", "Coaxworks", "CM-32", "00:00:5E:00:53:1F"),
    *(
        "Alder",
        "attic",
        "study",
        "harbour",
        "keeper",
        "192.0.2.",
        "198.51.100.",
        "203.0.113.",
        "secret-folder",
    ),
    *("example.net", "house.example.org", "hush-community", "Filomena", "SR-20931", "gate code"),
)


def shared(folder: Path, story: str = "upstream-link", *more: str) -> list[Path]:
    """Every paper in every form, redacted, with all that a home file and a call log can say."""
    home = folder / "alder.yaml"
    text = HOME_FILE.replace("home: Alder House", f"home: Alder House\n{SERVICE.rstrip()}") + MORE
    text = text.replace(
        "  modem:  {kind: modem, address: 192.0.2.254}",
        "  modem:\n    kind: modem\n    address: 192.0.2.254\n"
        "    wan_counters: {interface: wan0, snmp: hush-community}",
    ).replace("    wan_counters: {interface: to-modem}\n", "")
    home.write_text(text)
    create_key(folder / "alder.key")
    records, readings = recorded(story)
    start = min(r.minute for r in records) * 60 * 10**9
    hops = [("192.0.2.1", 0.0006), ("203.0.113.1", 0.0092), ("-", 0.0), ("198.51.100.7", 0.0141)]
    trace = [
        Reading(at_ns=start + i, agent="study", name=f"route_hop:harbour/{i:02}/{a}", value=v)
        for i, (a, v) in enumerate(hops, 1)
    ]
    with Store.open(folder / "s.db") as store:
        store.append_all(records, [*readings, *trace])
        store.add_call(
            CallNote(at_ns=start, text="gave the gate code", spoke_to="Filomena", ticket="SR-20931")
        )
    papers = [f"{name}.{form}" for name in ("letter", "phone", "summary") for form in ("html", "pdf")]
    paths = [folder / f"r.{form}" for form in ("html", "pdf", "csv", "json")]
    words = ["evidence", str(home), "--store", str(folder / "s.db"), "--offline", "--redact", *more]
    for path in paths:
        words += [f"--{path.suffix[1:]}", str(path)]
    for form in ("html", "pdf"):
        each = [w for p in papers if p.endswith(form) for w in (f"--{p.partition('.')[0]}", str(folder / p))]
        main([*words, "--stand-ins", str(folder / "table.csv"), *each])
    return [p for p in (*paths, *(folder / p for p in papers)) if p.exists()]


def octets(path: Path) -> Iterator[bytes]:
    """A file's own octets, and of a PDF what its streams, attachments, metadata and pages hold."""
    raw = path.read_bytes()
    yield raw
    if path.suffix != ".pdf":
        return
    reader = pypdf.PdfReader(io.BytesIO(raw))
    yield str(reader.metadata).encode()
    for number in range(1, len(reader.xref[0]) + len(reader.xref_objStm) + 1):
        found = reader.get_object(number)
        yield repr(found).encode()
        if isinstance(found, StreamObject):
            yield found.get_data()
    for page in reader.pages:
        yield page.extract_text().encode()


def test_no_octet_of_what_is_shared_holds_a_private_word(tmp_path: Path) -> None:
    paths = shared(tmp_path)
    assert len(paths) == 10
    for path in paths:
        text = b"\n".join(octets(path))
        assert b"host-1" in text, path
        assert [w for w in PRIVATE if w.lower().encode() in text.lower()] == [], path


def test_the_table_that_the_sharer_keeps_tells_what_each_stand_in_means(tmp_path: Path) -> None:
    shared(tmp_path)
    table = tmp_path / "table.csv"
    rows = {row["stand-in"]: row["means"] for row in csv.DictReader(table.read_text().splitlines())}
    said = {"Ana Example", "4400-118-22", "00:00:5E:00:53:1F", "study", "192.0.2.254", "SR-20931"}
    assert said <= set(rows.values())
    assert rows["address withheld"] == "7 Quay Lane"
    assert table.stat().st_mode & 0o077 == 0


def test_without_redaction_the_login_of_the_routers_counters_is_in_no_report(tmp_path: Path) -> None:
    shared(tmp_path)
    words = ["evidence", str(tmp_path / "alder.yaml"), "--store", str(tmp_path / "s.db"), "--offline"]
    main([*words, "--json", str(tmp_path / "open.json")])
    text = (tmp_path / "open.json").read_text()
    assert "Ana Example" in text
    assert "hush-community" not in text
    assert "secret-folder" not in text


def test_a_redacted_paper_of_each_kind_still_verifies(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for path in shared(tmp_path):
        if path.suffix in (".html", ".pdf"):
            words = ["verify", str(path), str(tmp_path / "s.db"), "--home", str(tmp_path / "alder.yaml")]
            assert main(words) == 0, (path, capsys.readouterr().out)


def test_stand_ins_without_redaction_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    home = tmp_path / "alder.yaml"
    home.write_text(HOME_FILE)
    assert main(["evidence", str(home), "--stand-ins", "t.csv"]) == 2
    assert "--redact" in capsys.readouterr().err
