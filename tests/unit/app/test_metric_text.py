"""What an agent's metrics say of modem and transfers, read from what our own exporter writes."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from prometheus_client.parser import text_string_to_metric_families

from support.channels import down, reading, up
from support.homes import alder
from support.live import busy_state
from whichhop.app.metric_text import LastRate, modem_line, modems_of, rates_of, samples
from whichhop.model import Channel, Direction, DslLine, ModemLevels
from whichhop.serve.exporter import exposition
from whichhop.serve.live import LiveState

HOME = alder()


def exported(live: LiveState) -> str:
    return exposition(live, "")[0].decode()


def test_the_samples_are_those_that_an_independent_reader_finds() -> None:
    text = exported(busy_state())
    wanted = [
        (s.name.removeprefix("whichhop_"), s.labels, s.value)
        for family in text_string_to_metric_families(text)
        for s in family.samples
        if s.labels and s.name.startswith("whichhop_modem")
    ]
    assert wanted
    assert [s for s in samples(text) if s[0].startswith("modem")] == [
        (name, labels, pytest.approx(value)) for name, labels, value in wanted
    ]


def levels(channels: list[Channel]) -> ModemLevels:
    line = DslLine(direction=Direction.DOWN, margin_db=6.0, attenuation_db=20.0, rate_bps=5e7)
    return replace(reading(channels, at_s=60.0), node="modem", dsl=(line,), receive_dbm=-18.0)


def test_a_modem_comes_back_from_its_metrics() -> None:
    live = LiveState(home="Alder House", agent="desk", names=["modem"])
    live.modems["modem"] = levels([down(1, power_dbmv=-2.1, mer_db=38.5), up(3, power_dbmv=44.0)])
    (found,) = modems_of(exported(live), 7)
    assert [(c.name, c.power_dbmv) for c in found.channels] == [("down-1", -2.1), ("up-3", 44.0)]
    assert found.channels[0].mer_db == 38.5
    assert found.dsl[0].rate_bps == 5e7
    assert found.receive_dbm == -18.0


def test_one_line_names_the_worst_first() -> None:
    text = modem_line(
        reading([down(1, power_dbmv=-17.0), down(2, power_dbmv=1.0), up(1, power_dbmv=44.0)], at_s=1.0), HOME
    )
    assert text.startswith("outside (down-1): 2 down -17.0 to +1.0 dBmV, SNR from ")
    assert "1 up +44.0 dBmV" in text


def test_rates_toward_the_provider_are_kept_and_those_between_rooms_left_out() -> None:
    live = LiveState(home="Alder House", agent="desk", names=list(HOME.nodes))
    live.of_targets = {
        ("transfer_from_agent_bytes_per_second", "harbour"): 18e6 / 8,
        ("transfer_to_agent_bytes_per_second", "harbour"): 83e6 / 8,
        ("transfer_to_agent_at_least", "harbour"): 1.0,
        ("transfer_from_agent_bytes_per_second", "study"): 200e6 / 8,
    }
    assert rates_of(exported(live), HOME) == [
        LastRate(agent="desk", other_end="harbour", down_bps=83e6, up_bps=18e6, at_least=True)
    ]


@given(st.text())
def test_no_text_makes_it_fail(text: str) -> None:
    assert list(samples(text)) is not None
    modems_of("whichhop_modem_power_dbmv{" + text + "} 1.0", 1)
    rates_of(text, HOME)
