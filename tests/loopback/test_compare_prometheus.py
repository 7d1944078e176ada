"""`compare --prometheus` against a real Prometheus server that holds homes on paper, whose truth is known."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from msgspec import Struct
from msgspec.structs import replace

from paper_home.paper import prepare
from paper_home.records import readings_of_run, records_of_run
from support.metrics_history import Agent, scraped, served
from whichhop.cli import main
from whichhop.compare.comparison import compare_records
from whichhop.lab.scenario import Effect, Fault
from whichhop.lab.standard_home import HOME_FILE, alder_scenario
from whichhop.model import Cause, Verdict
from whichhop.model.units import NS_PER_S

pytestmark = [pytest.mark.slow, pytest.mark.waits]

START_NS = 1_767_268_800 * NS_PER_S
SECONDS, AT_S, FOR_S = 2100, 1200, 600
HOMES = {
    "Alder House": Fault(
        at_s=AT_S,
        for_s=FOR_S,
        element="modem/provider-edge",
        cause=Cause.UPSTREAM_LINK,
        effect=Effect(delay_s=0.04, loss_ratio=0.04),
    ),
    "Birch House": Fault(
        at_s=AT_S,
        for_s=FOR_S,
        element="attic/router",
        cause=Cause.BACKHAUL,
        effect=Effect(delay_s=0.03, loss_ratio=0.05),
    ),
}


class Kept(Struct, frozen=True, kw_only=True, dict=True):
    base: str
    by_records: dict[str, tuple[Verdict, ...]]


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kept]:
    folder = tmp_path_factory.mktemp("prometheus")
    histories, by_records = [], {}
    end_ns = START_NS + SECONDS * NS_PER_S
    for seed, (name, fault) in enumerate(HOMES.items()):
        scenario = replace(alder_scenario((fault,), seconds=SECONDS), noise=1.0)
        run = prepare(scenario, seed)
        records, readings = list(records_of_run(run, START_NS)), readings_of_run(run, START_NS)
        found = compare_records(scenario.home, records, readings, start_ns=START_NS, end_ns=end_ns)
        assert found is not None
        by_records[name] = found.verdicts
        agents = {a.name: Agent(a.name, name, scenario.home.nodes) for a in scenario.home.agents}
        # In one home an agent restarts in the middle of the fault, and scrapes of another fail for a while.
        rough = name == "Alder House"
        histories.append(
            scraped(
                agents,
                records,
                readings,
                start_ns=START_NS,
                end_ns=end_ns,
                each_s=15,
                restarts={"study": START_NS + 1500 * NS_PER_S} if rough else {},
                missed=[("desk", START_NS + 600 * NS_PER_S, START_NS + 700 * NS_PER_S)] if rough else [],
            )
        )
    with served(folder, histories) as base:
        yield Kept(base=base, by_records=by_records)


def ask(kept: Kept, folder: Path, *words: str, name: str = "Alder House") -> int:
    (folder / "home.yaml").write_text(HOME_FILE.replace("Alder House", name))
    span = ["--from", "2026-01-01T12:00Z", "--to", "2026-01-01T12:35Z"]
    return main(["compare", str(folder / "home.yaml"), "--prometheus", kept.base, *span, *words])


@pytest.mark.parametrize("name", HOMES)
def test_metrics_lead_to_the_verdict_that_the_records_give(
    kept: Kept, name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert ask(kept, tmp_path, "--json", name=name) == 0
    data = json.loads(capsys.readouterr().out)
    (truth,) = kept.by_records[name]
    (verdict,) = data["verdicts"]
    assert (verdict["cause"], tuple(verdict["elements"])) == (truth.cause, truth.elements)
    assert truth.cause == HOMES[name].cause
    # Windows are 15 s long, and agents' scrapes may lie a window beside each other.
    assert abs(verdict["start_ns"] - truth.start_ns) <= 45 * NS_PER_S
    assert abs(verdict["end_ns"] - (truth.end_ns or 0)) <= 45 * NS_PER_S
    assert verdict["probability"] > 0.95
    assert data["coarse"] is True


def test_the_text_says_that_it_is_coarser(
    kept: Kept, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert ask(kept, tmp_path, "--select", "home=Birch House") == 0
    out = capsys.readouterr().out
    assert "coarser: quantiles are from histogram buckets, windows are 15 s long" in out
    assert "The backhaul: the link attic to router" in out


@pytest.mark.parametrize(
    ("name", "words", "told"),
    [
        ("Cedar House", [], "has series of Alder House, Birch House, none of Cedar House"),
        ("Alder House", ["--select", "home=nobody"], "check --to and --select"),
        ("Alder House", ["--select", "job"], "write it as home=alder"),
        ("Alder House", ["--select", "method=stamp", "--authorization", "/nowhere"], "cannot be read"),
        ("Alder House", ["--offline"], "exclude each other"),
    ],
)
def test_what_cannot_be_read_is_one_line(
    kept: Kept, name: str, words: list[str], told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert ask(kept, tmp_path, *words, name=name) == 2
    (line,) = capsys.readouterr().err.strip().splitlines()
    assert told in line
