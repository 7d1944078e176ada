"""What an agent's metrics say of modem and transfers, read from what our own exporter writes."""

from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from support.channels import down, reading, up
from support.homes import alder
from support.live import busy_state
from whichhop.app.looks.metric_text import LastRate, modem_line, modems_of, rates_of, samples
from whichhop.model import Channel, Direction, DslLine, ModemLevels
from whichhop.serve.exporter import exposition
from whichhop.serve.live import LiveState

HOME = alder()


def exported(live: LiveState) -> str:
    return exposition(live, "")[0].decode()


def test_a_line_that_is_none_hides_no_other() -> None:
    good = exported(busy_state())
    there = list(samples(good))
    assert [s for s in there if s[0].startswith("modem")]
    bad = (
        'whichhop_up{\nwhichhop_up{node="x} 1\nwhichhop_up{node="x"} 1'
        + "0" * 400
        + "\nwhichhop_up{a\\=} x\n"
    )
    assert list(samples(bad + good)) == there


@given(st.text(st.characters(exclude_characters="\x00", exclude_categories=["Cs"]), max_size=40))
def test_a_name_comes_back_as_it_was(name: str) -> None:
    live = LiveState(home=name, agent="desk", names=["modem"])
    live.modems["modem"] = levels([down(1, power_dbmv=-2.1, mer_db=38.5)])
    assert {labels["home"] for _, labels, _ in samples(exported(live))} == {name}


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
