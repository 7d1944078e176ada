"""Facts of a hop come out of the store and of the interchange form as they went in; the unknown stays so."""

from pathlib import Path

from support.homes import alder
from whichhop.claim.pseudonyms import StandIns
from whichhop.model.hop_facts import HopFacts, facts_of, readings_of
from whichhop.store.interchange import read_lines, reading_line
from whichhop.store.store import Store

AT_NS = 1_772_388_245_123_456_000
FACTS = (
    HopFacts(
        agent="desk",
        other="attic",
        link="desk/attic",
        at_ns=AT_NS,
        radio_signal_dbm=-61.0,
        radio_busy_share=0.82,
        radio_retry_share=0.0,
    ),
    HopFacts(agent="desk", other="desk", link="", at_ns=AT_NS, node_uptime_s=3600.5),
    HopFacts(agent="desk", other="modem", link="router/modem", at_ns=AT_NS, box="router", port_errors=7.0),
)
READINGS = [reading for facts in FACTS for reading in readings_of(facts)]


def test_the_store_gives_them_back(tmp_path: Path) -> None:
    with Store.make(tmp_path / "desk.db") as store:
        store.append_all([], READINGS)
        found = facts_of(alder(), store.readings())
    assert found == FACTS
    assert found[0].radio_noise_dbm is None
    assert found[0].radio_retry_share == 0.0


def test_the_interchange_form_gives_them_back() -> None:
    lines = [reading_line(reading) for reading in READINGS]
    assert '"counter": "port_errors:router/modem"' in "\n".join(lines)
    assert facts_of(alder(), read_lines(lines, "day.jsonl")) == FACTS  # type: ignore[arg-type]


def test_under_stand_ins_they_stay_facts_of_the_same_hop() -> None:
    stand = StandIns.of(alder())
    found = {(f.other, f.link, f.box): f for f in facts_of(stand.home, [stand.reading(r) for r in READINGS])}
    assert found["mesh-node-1", "host-1/mesh-node-1", ""].radio_busy_share == 0.82
    assert found["host-1", "", ""].node_uptime_s == 3600.5
    assert found["modem-1", "router-1/modem-1", "router-1"].port_errors == 7.0
