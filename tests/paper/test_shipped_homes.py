"""Every shipped home leads to a verdict about the line once one target is allowed, and to none before."""

from pathlib import Path

import pytest
from msgspec.structs import replace

from paper_home.paper import prepare
from paper_home.records import readings_of_run, records_of_run
from whichhop.app.live.live_comparison import live_comparison
from whichhop.cli import main
from whichhop.cli.answers.compare_live import state_words
from whichhop.cli.answers.screen import View, screen
from whichhop.compare.suspects.vantage import separation
from whichhop.config.check import House, read_house
from whichhop.config.keys import create_key
from whichhop.lab.scenario import Effect, Fault, Scenario
from whichhop.lab.standard_home import ordinary_natures
from whichhop.model import Cause, Home, LinkKind, derive_sessions
from whichhop.model.home import ALLOW_A_TARGET
from whichhop.model.units import NS_PER_S
from whichhop.serve.page.sentence import Mood, answer
from whichhop.store.store import Store

pytestmark = pytest.mark.slow
CONFIGS = sorted((Path(__file__).parents[2] / "configs").glob("*.yaml"))
EACH = pytest.mark.parametrize("config", CONFIGS, ids=lambda p: p.stem)
START_NS = 1_767_268_800 * NS_PER_S
SECONDS, FAULT_S = 420.0, 300.0


def file_of(config: Path, folder: Path, *, target: bool) -> Path:
    """The shipped file as a user gets it; with `target`, after adding the one line that is asked for."""
    file = folder / config.name
    line = ALLOW_A_TARGET.replace("HOST", "harbour.example.net") + "\n" if target else ""
    file.write_text(config.read_text() + line)
    create_key(file.with_suffix(".key"))
    return file


def on_paper(home: Home, *, faulty: bool) -> Scenario:
    """The home with what its agents would find out: the target's address, the provider's first hop."""
    home = home.with_addresses({"harbour.example.net": "203.0.113.7"})
    line = next(k.name for k in home.links if k.kind is LinkKind.ACCESS)
    slow = Fault(
        at_s=FAULT_S,
        for_s=SECONDS - FAULT_S,
        element=line,
        cause=Cause.UPSTREAM_LINK,
        effect=Effect(delay_s=0.08, jitter_s=0.02),
    )
    faults = (slow,) if faulty else ()
    natures = ordinary_natures(home)
    return Scenario(name="shipped", home=home, natures=natures, faults=faults, seconds=SECONDS)


def stored(house: House, store: Store, *, faulty: bool) -> None:
    run = prepare(on_paper(house.home, faulty=faulty), 1)
    store.append_all(list(records_of_run(run, START_NS)), readings_of_run(run, START_NS))


@EACH
def test_without_a_target_no_screen_says_that_all_is_well_with_the_line(
    config: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = file_of(config, tmp_path, target=False)
    house = read_house(file)
    line = next(k for k in house.home.links if k.kind is LinkKind.ACCESS)
    with Store.open(tmp_path / "all.db") as store:
        stored(house, store, faulty=True)
        bulletin = live_comparison(house, str(file), store).turn(START_NS + round(SECONDS) * NS_PER_S)
    assert bulletin is not None
    main(["compare", str(file), "--store", str(tmp_path / "all.db"), "--offline"])
    compared = capsys.readouterr().out
    assert f"{line.near} to {line.far}" in compared.partition("Not measured")[2], compared
    assert f"`{ALLOW_A_TARGET}` to {file}" in compared
    now = screen(View(bulletin=bulletin, source="", answers={}))
    assert line.name in now
    assert "targets:" in now
    assert line.name in state_words(bulletin)
    top = answer(bulletin, bulletin.at_ns)
    assert top.mood is not Mood.NO_FAULT
    assert any(ALLOW_A_TARGET in more for more in top.more), top


@EACH
def test_with_one_target_a_fault_of_the_line_is_told_as_the_lines(config: Path, tmp_path: Path) -> None:
    file = file_of(config, tmp_path, target=True)
    house = read_house(file)
    line = next(k.name for k in house.home.links if k.kind is LinkKind.ACCESS)
    sep = separation(house.home, derive_sessions(house.home))
    assert line not in sep.unseen
    assert not any({line, "beyond"} <= set(group) for group in sep.groups)
    with Store.open(tmp_path / "all.db") as store:
        stored(house, store, faulty=True)
        bulletin = live_comparison(house, str(file), store).turn(START_NS + round(SECONDS) * NS_PER_S)
    assert bulletin is not None
    told = [t.verdict for t in bulletin.told if t.verdict.cause in (Cause.UPSTREAM_LINK, Cause.NOT_SEPARABLE)]
    assert any(line in v.elements for v in told), bulletin.told
    assert not any("beyond" in v.elements for v in told)


def test_an_allowed_target_is_the_whole_change() -> None:
    homes = [read_house(config).home for config in CONFIGS]
    assert len(homes) >= 5
    assert not any(replace(home).discover_edge for home in homes)
