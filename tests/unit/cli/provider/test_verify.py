"""`whichhop verify`: a report holds against its records, and every kind of tampering is caught."""

import gzip
import json
import random
import re
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pypdf
import pytest
from msgspec import Struct, structs
from msgspec.structs import replace

from support.forgeries import Genuine, at_random, purposeful
from support.reported import recorded
from support.time_authority import make_authority, openssl, stamped
from whichhop.cli import main
from whichhop.cli.provider.verify import _is_store
from whichhop.config.countersign import Head, countersigned
from whichhop.config.keys import create_key, derive_keys, read_key
from whichhop.config.trusted_keys import add_trusted, trusted_keys_path
from whichhop.lab.demo.run import recorded_folder
from whichhop.lab.standard_home import HOME_FILE
from whichhop.model import Fate, Record
from whichhop.model.chain_signature import fingerprint
from whichhop.report.html import dossier_part, page
from whichhop.report.seal import public_half, seal_of, sealed, unsealed
from whichhop.report.time_stamp import request
from whichhop.report.wire_form import read_dossier
from whichhop.store.store import Store
from whichhop.wire.packed import canonical, pack_canonical, unfold, unpack

pytestmark = pytest.mark.slow


class Made(Struct, frozen=True, kw_only=True):
    """A report with the store it came from, the same records as a file, and its home."""

    home: Path
    html: Path
    pdf: Path
    store: Path
    file: Path


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Made:
    folder = tmp_path_factory.mktemp("report")
    made = Made(
        home=folder / "alder.yaml",
        html=folder / "r.html",
        pdf=folder / "r.pdf",
        store=folder / "s.db",
        file=folder / "r.jsonl.gz",
    )
    made.home.write_text(HOME_FILE)
    create_key(folder / "alder.key")
    with Store.open(made.store) as store:
        store.append_all(*recorded("upstream-link"))
    shutil.copy(recorded_folder() / "upstream-link.jsonl.gz", made.file)
    words = ["evidence", str(made.home), "--store", str(made.store), "--offline"]
    assert main([*words, "--html", str(made.html), "--pdf", str(made.pdf)]) == 0
    return made


@pytest.fixture(autouse=True)
def trusting(original: Made, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A reader whose list of trusted keys names the maker of the report."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))
    add_trusted(trusted_keys_path(), fingerprint(signer(original)), "Alder House")
    return trusted_keys_path()


@pytest.fixture
def made(original: Made, tmp_path: Path) -> Made:
    """A copy that a test may spoil."""
    names = ("home", "html", "pdf", "store", "file")
    copies = {n: tmp_path / getattr(original, n).name for n in names}
    for n in names:
        shutil.copy(getattr(original, n), copies[n])
    return Made(**copies)


def fails(capsys: pytest.CaptureFixture[str], *words: str) -> list[str]:
    """The names of the checks that do not hold; the exit code must say the same."""
    capsys.readouterr()
    code = main(["verify", *words, "--json"])
    checks = json.loads(capsys.readouterr().out)["checks"]
    bad = [c["name"] for c in checks if not c["holds"]]
    assert code == (1 if bad else 0)
    return bad


def test_an_untouched_report_holds_against_store_and_file(
    made: Made, capsys: pytest.CaptureFixture[str]
) -> None:
    assert fails(capsys, str(made.html), str(made.store)) == []
    assert fails(capsys, str(made.html), str(made.file)) == []


def test_every_figure_of_the_claim_is_worked_out_again(
    made: Made, capsys: pytest.CaptureFixture[str]
) -> None:
    main(["verify", str(made.html), str(made.store), "--json"])
    names = {c["name"] for c in json.loads(capsys.readouterr().out)["checks"]}
    part = dossier_part(unsealed(made.html.read_text(), "")[0])
    assert part is not None
    for figure in json.loads(part)["claim"]["figures"]:
        assert {f"figure {figure['name']} {p}" for p in ("value", "low", "high", "count")} <= names


def test_a_store_that_has_grown_since_still_holds(made: Made, capsys: pytest.CaptureFixture[str]) -> None:
    last = recorded("upstream-link")[0][-1]
    with Store.open(made.store) as store:
        store.append(replace(last, minute=last.minute + 100))
    assert fails(capsys, str(made.html), str(made.store)) == []


def test_a_changed_word_or_figure_in_the_page_is_caught(
    made: Made, capsys: pytest.CaptureFixture[str]
) -> None:
    text = made.html.read_text()
    shown = re.search(r"It lost (\d+\.\d)", text)
    assert shown is not None
    made.html.write_text(text.replace(f"It lost {shown[1]}", "It lost 62.1", 1))
    assert {"seal", "page shows its data"} <= set(fails(capsys, str(made.html), str(made.store)))


def changed_data(made: Made, change: Callable[[str], str], secret: bytes | None) -> None:
    """The page written anew from changed data, as a forger would, sealed with the key given."""
    part = dossier_part(unsealed(made.html.read_text(), "")[0])
    assert part is not None
    text = page(read_dossier(change(part.decode()).encode(), ""))
    made.html.write_text(sealed(text, seal_of(text, secret)))


def twice_the_loss(data: str) -> str:
    raw = json.loads(data)
    for figure in raw["claim"]["figures"]:
        if figure["name"] == "line-loss":
            figure["value"] *= 2
    return json.dumps(raw)


def test_a_figure_changed_by_one_with_the_key_is_caught_by_the_records(
    made: Made, original: Made, capsys: pytest.CaptureFixture[str]
) -> None:
    secret = derive_keys(read_key(original.home.with_suffix(".key"))).evidence
    changed_data(made, twice_the_loss, secret)
    assert fails(capsys, str(made.html), str(made.store)) == ["figure line-loss value"]
    assert fails(capsys, str(made.html), str(made.file)) == ["figure line-loss value"]


@pytest.mark.parametrize("secret", [None, bytes(range(32))])
def test_a_figure_changed_by_one_without_the_key_is_caught_by_the_seal_as_well(
    secret: bytes | None, made: Made, capsys: pytest.CaptureFixture[str]
) -> None:
    changed_data(made, twice_the_loss, secret)
    assert {"seal", "figure line-loss value"} <= set(fails(capsys, str(made.html), str(made.store)))


def test_a_report_signed_anew_under_another_key_is_caught_by_the_key_given(
    made: Made, original: Made, capsys: pytest.CaptureFixture[str]
) -> None:
    true_key = public_half(derive_keys(read_key(original.home.with_suffix(".key"))).evidence)
    other = bytes(range(32))
    changed_data(made, lambda d: d.replace(true_key, public_half(other)), other)
    assert fails(capsys, str(made.html), str(made.store)) == ["maker's key"]
    assert fails(capsys, str(made.html), str(made.store), "--trust", fingerprint(true_key)) == ["maker's key"]
    assert fails(capsys, str(made.html), str(made.store), "--trust", public_half(other)) == []


def test_an_unknown_key_fails_until_it_is_told_to_be_trusted_and_can_be_kept(
    made: Made, trusting: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    trusting.unlink()
    short = fingerprint(signer(made))
    assert main(["verify", str(made.html)]) == 1
    said = capsys.readouterr().out
    assert f"{short} is unknown here" in said
    assert "--trust" in said
    assert main(["verify", str(made.html), "--trust", short.lower().replace("-", "")]) == 0
    capsys.readouterr()
    assert main(["verify", str(made.html)]) == 1
    assert main(["verify", str(made.html), "--trust", short, "--remember"]) == 0
    assert main(["verify", str(made.pdf)]) == 0
    assert "Alder House" in trusting.read_text()


def test_the_makers_own_key_file_is_trusted(
    made: Made, original: Made, trusting: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    trusting.unlink()
    key = str(original.home.with_suffix(".key"))
    assert main(["verify", str(made.html), "--key", key]) == 0


def test_what_is_proven_and_what_is_not_stands_in_one_line(
    made: Made, capsys: pytest.CaptureFixture[str]
) -> None:
    main(["verify", str(made.html), str(made.store)])
    (line,) = [x for x in capsys.readouterr().out.splitlines() if x.startswith("Proven: ")]
    assert "every figure follows from the records given" in line
    assert line.endswith("that the agents measured honestly.")
    main(["verify", str(made.html)])
    assert "Not proven: that the figures follow from the measurements" in capsys.readouterr().out


@pytest.mark.parametrize("text", ["nonsense", "AAAA-BBBB", "12345678"])
def test_what_is_no_fingerprint_is_refused_in_a_line(
    text: str, made: Made, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["verify", str(made.html), "--trust", text]) == 2
    assert len(capsys.readouterr().err.strip().splitlines()) == 1


@pytest.mark.parametrize("old", ["provider-edge", "router", "modem", "wired"])
def test_data_of_a_home_that_is_none_is_told_and_ends_nothing(
    old: str, made: Made, original: Made, capsys: pytest.CaptureFixture[str]
) -> None:
    # well-formed still, but a link leads to nobody, there is no such zone, ...
    text = made.html.read_text()
    at = text.rindex(f'"{old}"') + 2
    made.html.write_text(text[:at] + text[at + 1 :])
    assert main(["verify", str(made.html), str(made.store)]) in (1, 2)


def test_no_forgery_passes(
    made: Made, original: Made, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # All with a purpose, and a few at random; tests/bench/forgeries.py tries 3,000 of those.
    true = genuine(original, tmp_path)
    (tmp_path / "tsa").mkdir()
    tried = [*purposeful(true, tmp_path / "tsa"), *at_random(true, random.Random(1), 40)]
    passed = []
    for n, forgery in enumerate(tried):
        path = tmp_path / f"f{n}{forgery.suffix}"
        path.write_bytes(forgery.data)
        if main(["verify", str(path)]) == 0:
            passed.append(forgery.what)
    assert len(tried) >= 60
    assert passed == []


Place = tuple[int, int]


def rows(path: Path) -> list[tuple[Place, bytes]]:
    with closing(sqlite3.connect(path)) as db:
        found = db.execute("SELECT chain, seq, body FROM minute ORDER BY chain, seq").fetchall()
    return [((chain, seq), body) for chain, seq, body in found]


def spoil(path: Path, place: Place, body: bytes | None) -> None:
    """Put other bytes in a record's place, or take the record away."""
    with closing(sqlite3.connect(path)) as db, db:
        if body is None:
            db.execute("DELETE FROM minute WHERE chain = ? AND seq = ?", place)
        else:
            db.execute("UPDATE minute SET body = ? WHERE chain = ? AND seq = ?", (body, *place))


def test_a_changed_sample_in_the_store_is_caught(made: Made, capsys: pytest.CaptureFixture[str]) -> None:
    number, body = next((n, b) for n, b in rows(made.store) if unpack(b)[0].session.target == "harbour")
    (record,) = unpack(body)
    record.samples.rtt_ns[0] += 1_000
    spoil(made.store, number, pack_canonical(canonical(record)))
    bad = fails(capsys, str(made.html), str(made.store))
    agent = record.session.agent
    assert f"chain {agent}" in bad
    assert f"session {record.session} digest of samples" in bad


@pytest.mark.parametrize("place", [3, 20, -1])
def test_a_changed_byte_of_a_record_in_the_store_is_caught(
    place: int, made: Made, capsys: pytest.CaptureFixture[str]
) -> None:
    number, body = rows(made.store)[5]
    whole = bytearray(unfold(body))
    whole[place] ^= 1
    spoil(made.store, number, pack_canonical(bytes(whole)))
    bad = fails(capsys, str(made.html), str(made.store))
    assert any(name.startswith(("chain ", "session ", "records")) for name in bad)


def test_a_dropped_record_in_the_store_is_caught(made: Made, capsys: pytest.CaptureFixture[str]) -> None:
    number, body = rows(made.store)[4]
    session = unpack(body)[0].session
    spoil(made.store, number, None)
    bad = fails(capsys, str(made.html), str(made.store))
    assert f"chain {session.agent}" in bad
    assert f"session {session} samples" in bad


def test_a_store_with_a_chain_of_its_own_is_not_taken_for_the_reports(
    made: Made, capsys: pytest.CaptureFixture[str]
) -> None:
    made.store.unlink()
    with Store.open(made.store) as store:
        store.append_all(*recorded("upstream-link"))
    bad = fails(capsys, str(made.html), str(made.store))
    assert bad
    assert all(name.startswith("chain ") for name in bad)


def lines(path: Path) -> list[str]:
    with gzip.open(path, "rt") as file:
        return file.read().splitlines()


def rewrite(path: Path, text: list[str]) -> None:
    with gzip.open(path, "wt") as file:
        file.write("\n".join(text) + "\n")


def test_a_changed_sample_in_a_file_is_caught(made: Made, capsys: pytest.CaptureFixture[str]) -> None:
    text = lines(made.file)
    place = next(i for i, line in enumerate(text) if '"rtt_s": 0.' in line)
    text[place] = re.sub(r'"rtt_s": 0\.\d+', '"rtt_s": 0.5', text[place])
    rewrite(made.file, text)
    bad = fails(capsys, str(made.html), str(made.file))
    assert any(name.endswith("digest of samples") for name in bad)


def test_a_dropped_record_in_a_file_is_caught(made: Made, capsys: pytest.CaptureFixture[str]) -> None:
    text = lines(made.file)
    first = next(i for i, line in enumerate(text) if '"minute"' in line)
    count = json.loads(text[first])["samples"]
    rewrite(made.file, text[:first] + text[first + 1 + count :])
    bad = fails(capsys, str(made.html), str(made.file))
    assert any(name.endswith("digest of samples") for name in bad)


def test_lost_packets_turned_into_answered_ones_are_caught(
    made: Made, capsys: pytest.CaptureFixture[str]
) -> None:
    records, readings = recorded("upstream-link")
    made.store.unlink()

    def mended(record: Record) -> Record:
        samples = [
            structs.replace(s, fate=Fate.ANSWERED, rtt_ns=9_000_000) if s.fate.lost else s
            for s in record.samples
        ]
        return replace(record, samples=type(record.samples).of(samples))

    with Store.open(made.store) as store:
        store.append_all((mended(r) for r in records), readings)
    assert "figure line-loss value" in fails(capsys, str(made.html), str(made.store))


def test_a_redacted_report_is_checked_with_the_home_file(
    made: Made, capsys: pytest.CaptureFixture[str]
) -> None:
    shared = made.html.with_name("shared.html")
    words = ["evidence", str(made.home), "--store", str(made.store), "--offline", "--redact"]
    main([*words, "--html", str(shared)])
    assert main(["verify", str(shared), str(made.store)]) == 2
    assert "--home" in capsys.readouterr().err
    unsigned = ("--trust", "none")  # the home's key is not beside this copy of the home file
    assert fails(capsys, str(shared), str(made.store), "--home", str(made.home), *unsigned) == []
    assert fails(capsys, str(shared), str(made.store), "--home", str(made.home)) == ["maker's key"]


def test_bare_data_is_checked_too_and_is_said_to_carry_no_seal(
    made: Made, capsys: pytest.CaptureFixture[str]
) -> None:
    part = dossier_part(unsealed(made.html.read_text(), "")[0])
    assert part is not None
    bare = made.html.with_suffix(".json")
    bare.write_bytes(part)
    assert main(["verify", str(bare), str(made.store)]) == 1
    assert "no seal" in capsys.readouterr().out


@pytest.mark.parametrize("text", ["", "nothing", "{}", '{"form": 9}', "<html></html>"])
def test_what_is_no_report_is_refused_in_one_line(
    text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "r.html"
    path.write_text(text)
    assert main(["verify", str(path)]) == 2
    assert len(capsys.readouterr().err.strip().splitlines()) == 1


def test_files_in_each_others_places_are_told_for_what_they_are(
    made: Made, capsys: pytest.CaptureFixture[str]
) -> None:
    plain = made.file.with_name("r.jsonl")
    plain.write_bytes(gzip.decompress(made.file.read_bytes()))
    for words, said in (
        ([plain, made.html], f"{plain}: not a report; give first the page, the PDF"),
        ([made.home, plain], f"{made.home}: not a report; give first the page"),
        ([made.html, made.pdf], f"{made.pdf}: is a report (or another page or PDF) and no records file"),
        ([made.pdf, made.html], f"{made.html}: is a report (or another page or PDF) and no records file"),
        ([made.html, plain, "--home", made.html], f"{made.html}:1: (top level): no home file: it is a page"),
    ):
        assert main(["verify", *map(str, words)]) == 2
        (line,) = capsys.readouterr().err.splitlines()
        assert line.startswith(said)


def test_what_has_no_end_and_what_is_large_is_not_read_whole(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("whichhop.cli.provider.verify._MOST_OCTETS", 1 << 20)
    (tmp_path / "r.html").symlink_to("/dev/zero")
    assert main(["verify", str(tmp_path / "r.html")]) == 2
    assert "more than 1 MB" in capsys.readouterr().err
    with (tmp_path / "large.db").open("wb") as file:  # a store of a year, mostly holes here
        file.truncate(1 << 36)
    assert not _is_store(tmp_path / "large.db")


def test_a_time_stamp_is_attached_only_when_it_is_for_this_page(
    made: Made, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    authority = tmp_path / "tsa"
    authority.mkdir()
    make_authority(authority)
    query, answer = tmp_path / "r.tsq", tmp_path / "r.tsr"
    words = ["evidence", str(made.home), "--store", str(made.store), "--offline", "--html", str(made.html)]
    main([*words, "--time-request", str(query)])
    answer.write_bytes(stamped(authority, request(b"another page")))
    unsigned = ("--trust", "none")
    known = ("--authority", str(authority / "tsa.crt"), *unsigned)
    before = made.html.read_bytes()
    assert fails(capsys, str(made.html), "--attach-time", str(answer), *unsigned) == ["time-stamp"]
    assert made.html.read_bytes() == before
    answer.write_bytes(stamped(authority, query.read_bytes()))
    assert fails(capsys, str(made.html), "--attach-time", str(answer), *unsigned) == ["time-stamp"]
    assert fails(capsys, str(made.html), "--attach-time", str(answer), *known) == []
    assert made.html.read_bytes() != before
    assert fails(capsys, str(made.html), str(made.store), *known) == []
    assert fails(capsys, str(made.html), str(made.store), *unsigned) == ["time-stamp"]
    # What the request stands for is the page without its seal, so openssl alone can check it as well.
    bare = tmp_path / "page"
    bare.write_bytes(unsealed(made.html.read_text(), "")[0].encode())
    names = ("-data", str(bare), "-in", str(answer), "-CAfile", str(authority / "tsa.crt"))
    openssl("ts", "-verify", *names)


def genuine(original: Made, folder: Path) -> Genuine:
    """The report as a forger gets it, with another true one of the same key."""
    other = folder / "other.html"
    words = ["evidence", str(original.home), "--store", str(original.store), "--offline", "--redact"]
    main([*words, "--html", str(other)])
    return Genuine(
        html=original.html.read_text(),
        paper=original.pdf.read_bytes(),
        other_html=other.read_text(),
        secret=derive_keys(read_key(original.home.with_suffix(".key"))).evidence,
    )


def signer(made: Made) -> str:
    """The key that signed the page."""
    part = dossier_part(made.html.read_text())
    assert part is not None
    key = read_dossier(part, "r.html").public_key
    assert key is not None
    return key


def test_the_pdf_holds_against_store_and_file_as_the_page_does(
    made: Made, capsys: pytest.CaptureFixture[str]
) -> None:
    assert not fails(capsys, str(made.pdf), str(made.store))
    assert not fails(capsys, str(made.pdf), str(made.file))
    assert not fails(capsys, str(made.pdf), "--trust", signer(made))
    assert fails(capsys, str(made.pdf), "--trust", "00" * 32) == ["maker's key"]


@pytest.mark.parametrize("part", [0.1, 0.5, 0.9])
def test_a_changed_byte_of_the_pdf_is_caught(
    part: float, made: Made, capsys: pytest.CaptureFixture[str]
) -> None:
    data = bytearray(made.pdf.read_bytes())
    place = round(len(data) * part)
    data[place] ^= 1
    made.pdf.write_bytes(bytes(data))
    code = main(["verify", str(made.pdf), str(made.store)])
    assert code in (1, 2)  # does not hold, or cannot even be read
    assert code == 1 or capsys.readouterr().err


def test_a_pdf_set_and_sealed_anew_from_other_figures_is_caught(
    made: Made, capsys: pytest.CaptureFixture[str]
) -> None:
    from whichhop.report.pdf import pdf
    from whichhop.report.printed import report_data
    from whichhop.report.seal import data_signature, sealed_paper

    data, _ = report_data(made.pdf.read_bytes())
    assert data is not None
    said = read_dossier(data, "r.pdf")
    assert said.claim is not None
    worse = replace(
        said,
        claim=replace(said.claim, figures=tuple(replace(f, value=0.99) for f in said.claim.figures)),
    )
    forger = bytes(range(32))
    paper = pdf(worse, data_signature(b"other data", forger))
    made.pdf.write_bytes(sealed_paper(paper, seal_of(paper, forger)))
    bad = fails(capsys, str(made.pdf), str(made.store))
    assert {"seal", "signature of the data", "figure line-loss value"} <= set(bad)


def test_printed_words_that_are_not_the_datas_are_told_where_the_same_machine_set_them(
    made: Made, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["verify", str(made.pdf)]) == 0
    assert "holds: page shows its data" in capsys.readouterr().out


def test_the_pdf_opens_with_its_seal_behind_it_and_says_how_to_check_it(made: Made) -> None:
    import subprocess

    from support.need import need_program

    words = subprocess.run(
        [need_program("pdftotext"), "-layout", str(made.pdf), "-"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert not words.stderr  # poppler has nothing to complain of
    flat = "".join(words.stdout.replace("\u200b", "").split())
    assert signer(made) in flat
    assert "whichhopverifyREPORTRECORDS" in flat
    assert made.pdf.read_bytes()[-1024:].count(b"%%EOF") == 1


def test_a_pdf_without_data_and_a_time_stamp_for_a_pdf_are_refused_in_a_line(
    made: Made, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = tmp_path / "other.pdf"
    other.write_bytes(b"%PDF-1.7\n%%EOF\n")
    assert main(["verify", str(other)]) == 2
    assert "the PDF cannot be read" in capsys.readouterr().err
    blank = pypdf.PdfWriter()
    blank.add_blank_page(100, 100)
    blank.write(other)
    assert main(["verify", str(other)]) == 2
    assert "a PDF without a report's data" in capsys.readouterr().err
    assert main(["verify", str(made.pdf), "--attach-time", str(other)]) == 2
    assert "give the HTML file" in capsys.readouterr().err


def countersign(store: Store, identity: Path) -> None:
    """Have every agent's chain signed, as the agents do themselves."""
    for chain in store.chains():
        head = Head(origin=chain.origin.hex(), seq=chain.last_seq, head=chain.head.hex(), at_ns=7)
        store.put_signature(chain.agent, chain.origin, countersigned(identity / chain.agent, head))


def test_a_maker_cannot_change_what_its_agents_have_signed(
    made: Made, original: Made, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    records, readings = recorded("upstream-link")
    made.store.unlink()
    with Store.open(made.store) as store:
        store.append_all(records, readings)
        countersign(store, tmp_path)
        chains = {c.agent: c.origin for c in store.chains()}
        said = {origin: store.signature(origin) for origin in chains.values()}
    key = ("--key", str(original.home.with_suffix(".key")))
    words = ["evidence", str(made.home), "--offline", "--html", str(made.html), *key]
    assert main([*words, "--store", str(made.store)]) == 0
    assert fails(capsys, str(made.html), str(made.store)) == []
    main(["verify", str(made.html), str(made.store)])
    assert "records as their agents signed them: " in capsys.readouterr().out

    # The maker, who has the home's key, writes the same chains anew with twice the delay, and a report.
    def slower(record: Record) -> Record:
        samples = [structs.replace(s, rtt_ns=s.rtt_ns * 2) if s.rtt_ns else s for s in record.samples]
        return replace(record, samples=type(record.samples).of(samples))

    forged, agents = tmp_path / "forged.db", sorted(chains)
    origins = iter([])

    def origin() -> bytes:
        return next(origins)

    with Store.open(forged, origin=origin) as store:
        for agent in agents:
            origins = iter([chains[agent]])
            store.append_all(slower(r) for r in records if r.session.agent == agent)
        store.append_all((), readings)
        for agent in agents:
            signature = said[chains[agent]]
            assert signature is not None
            store.put_signature(agent, chains[agent], signature)
    main([*words, "--store", str(forged)])
    bad = fails(capsys, str(made.html), str(forged))
    assert bad == [f"agent {a}" for a in agents]
