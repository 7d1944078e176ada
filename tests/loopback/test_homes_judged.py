"""`homes --judge`: homes that wrote to a server, judged by their files; neighbours speak for each other."""

import json
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread
from typing import Any

import pytest
from msgspec.structs import replace

from paper_home.paper import prepare
from paper_home.records import readings_of_run
from paper_home.table import table_of_run
from support.fleet_answers import answer_of, series_of
from whichhop.app.fleet.many import Server, Span, home_files, judge_files, mine
from whichhop.cli import main
from whichhop.lab.scenario import Effect, Fault
from whichhop.lab.standard_home import HOME_FILE, alder_scenario
from whichhop.model import Cause
from whichhop.model.fleet import PREFIX, Series, WindowMetric

pytestmark = [pytest.mark.slow, pytest.mark.waits]
NS = 1_000_000_000
START_NS, SECONDS = 1_767_268_800 * NS, 1800
AT = "2026-01-01T12:30Z"
LINE = Fault(
    at_s=1200,
    for_s=600,
    element="modem/provider-edge",
    cause=Cause.UPSTREAM_LINK,
    effect=Effect(delay_s=0.05, loss_ratio=0.05),
)
NORTH = ("Alder House", "Birch House", "Cedar House")
"""One region: the line of the first two is slow from the same time on."""


def written(fault: Fault | None, home: str, seed: int) -> list[Series]:
    run = prepare(replace(alder_scenario((fault,) if fault else (), seconds=SECONDS), noise=1.0), seed)
    return series_of(home, table_of_run(run, START_NS), readings_of_run(run, START_NS), kernel=True)


def beyond(home: str, reading: str, value: float) -> Series:
    labels = {"agent": "desk", "home": home, "reading": reading}
    at_ms = (START_NS + 600 * NS) // 10**6
    return Series(
        name=PREFIX + WindowMetric.LEVEL, labels=tuple(sorted(labels.items())), points=((at_ms, value),)
    )


@pytest.fixture(scope="module")
def server() -> Iterator[str]:
    """A server that has five homes; hazel wrote nothing."""
    told = [
        one
        for number, home in enumerate(NORTH)
        for one in written(LINE if number < 2 else None, home, number)
    ]
    told += written(LINE, "Rowan House", 7)
    told += [beyond("Cedar House", "levels/modem/down-7/power_dbmv", -19.0)]
    told += [beyond("Cedar House", "levels/modem/down-7/carrier", 0.0)]
    # A stranger to this version: passed over.
    told += [beyond("Birch House", name, 1e300) for name in ("levels/modem", "levels/a/b/c/d", "x", "")]
    body = answer_of(told)

    class Answers(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: Any) -> None:
            pass

    with ThreadingHTTPServer(("127.0.0.1", 0), Answers) as running:
        Thread(target=running.serve_forever, daemon=True).start()
        yield f"http://127.0.0.1:{running.server_address[1]}"
        running.shutdown()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("files")
    for name in (*NORTH, "Rowan House", "Hazel House"):
        text = HOME_FILE.replace("Alder House", name)
        region = "north" if name in NORTH else "south"
        text += f"fleet: {{write: 'https://metrics.example.net/w', region: {region}}}\n"
        (place / f"{name.split()[0].lower()}.yaml").write_text(text)
    (place / "broken.yaml").write_text("home: Broken House\n")
    return place


def test_faults_come_first_with_what_the_neighbours_say_and_every_home_is_told(
    server: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["homes", "--prometheus", server, "--judge", str(folder), "--at", AT, "--hours", "0.5"]
    assert main([*words, "--json"]) == 1
    rows = {row["home"]: row for row in json.loads(capsys.readouterr().out)}
    assert {home: row["state"] for home, row in rows.items()} == {
        "Alder House": "fault",
        "Birch House": "fault",
        "Rowan House": "fault",
        "Cedar House": "no fault",
        "Hazel House": "silent",
        "broken": "not judged",
    }
    for home in ("Alder House", "Birch House", "Rowan House"):
        (fault,) = rows[home]["faults"]
        assert "modem/provider-edge" in fault["elements"]
        assert abs(fault["since_ns"] - START_NS - 1200 * NS) <= 30 * NS
        assert rows[home]["next_step"]
    assert rows["Alder House"]["note"].startswith("1 of 2 other homes in north have it too")
    # The only one of its region that was judged: nobody can speak for it.
    assert rows["Rowan House"]["note"] == ""
    assert "whichhop check" in rows["broken"]["note"]
    assert main([*words]) == 1
    text = capsys.readouterr().out
    assert text.startswith("6 homes: 3 fault, 1 silent, 1 not judged, 1 no fault.")
    # What two homes of a region have in common is told once, for both.
    assert "Region north  fault past 2 of 3 homes" in text
    assert "their names: Alder House, Birch House" in " ".join(text.split())
    assert text.count("modem/provider-edge") == 2
    # Nothing is slow there, but a level beyond -15 dBmV (DOCSIS 3.0 PHY, from memory) is something to do.
    cedar = " ".join(text[text.index("Cedar House") :].split())
    assert "channel beyond a published limit" in cedar
    assert rows["Cedar House"]["next_step"] in cedar
    assert "Rowan House" in text
    assert not rows["Cedar House"]["faults"]


def test_one_home_by_its_name(server: str, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["homes", "--prometheus", server, "--judge", str(folder), "--at", AT, "--hours", "0.5"]
    assert main([*words, "Cedar House"]) == 0
    assert capsys.readouterr().out.startswith("Cedar House  no fault")


def test_shares_have_every_home_once(server: str, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    names = []
    for part in (1, 2, 3):
        words = ["homes", "--prometheus", server, "--judge", str(folder), "--at", AT, "--hours", "0.5"]
        main([*words, "--share", f"{part}/3", "--json"])
        names += [row["home"] for row in json.loads(capsys.readouterr().out) if row["home"] != "broken"]
    assert sorted(names) == sorted([*NORTH, "Rowan House", "Hazel House"])
    count = [sum(mine(f"home-{i}", part, 4) for i in range(4000)) for part in (1, 2, 3, 4)]
    assert sum(count) == 4000
    assert min(count) > 900


def test_homes_that_are_judged_again_by_what_is_new_are_told_the_same(server: str, folder: Path) -> None:
    """Healthy and faulty homes; the process keeps what it read of the first turn for the second."""
    files = home_files(folder)
    first = Span(start_ns=START_NS, end_ns=START_NS + (SECONDS - 300) * NS)
    whole = Span(start_ns=START_NS, end_ns=START_NS + SECONDS * NS)
    with ProcessPoolExecutor(1) as pool:
        list(judge_files(files, Server(base=server), first, pools=[pool]))
        again = list(judge_files(files, Server(base=server), whole, pools=[pool]))
    assert again == list(judge_files(files, Server(base=server), whole, processes=1))
    assert {str(one.row.standing) for one in again} == {"fault", "no fault", "silent", "not judged"}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--judge", "/nowhere"], "cannot be read"),
        (["--share", "0/3"], "no such share"),
        (["--share", "3"], "write 2/3"),
        (["--hours", "999"], "write 0.1 to 24"),
        (["--at", "noon"], "--at"),
        (["--follow", "--at", AT], "--follow: goes with --judge DIR"),
    ],
)
def test_a_mistake_is_a_line(
    server: str, folder: Path, words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["homes", "--prometheus", server, "--judge", str(folder), *words]) == 2
    (line,) = capsys.readouterr().err.strip().splitlines()
    assert said in line


def test_a_server_that_is_gone_is_a_line_and_no_word_that_homes_are_well(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["homes", "--prometheus", "http://127.0.0.1:1", "--judge", str(folder), "--json"]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err == "http://127.0.0.1:1: unreachable: Connection refused; is the server running there?\n"
