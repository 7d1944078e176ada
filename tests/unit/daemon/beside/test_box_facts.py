"""A box asked by SNMP: its errors and its uptime between two readings, over wraps, restarts and silence."""

from whichhop.daemon.beside.own_traffic import BoxFacts
from whichhop.model.hop_facts import HopFacts
from whichhop.probes.device_talk import Health

Six = tuple[int, int, int, int, int, int]
COUNTS: Six = (1_000, 2_000, 7, 8, 4, 5)


def health(uptime_s: float | None, counts: Six = COUNTS, last_change: int = 100, **more: object) -> Health:
    told = {"full_duplex": True, "up": True, "speed_bps": 1_000_000_000, **more}
    return Health(uptime_s=uptime_s, counts=counts, last_change=last_change, **told)  # type: ignore[arg-type]


def box(*readings: Health, every_s: int = 60, itself: bool = True) -> list[HopFacts]:
    facts = BoxFacts(agent="desk", box="router", far="modem", itself=itself)
    out: list[HopFacts] = []
    for number, reading in enumerate(readings):
        out = facts.add(reading, number, number * every_s * 10**9)
    return out


def test_errors_are_counted_between_readings_and_a_change_of_state_is_told() -> None:
    own, hop = box(health(500), health(560, (1_600, 2_400, 17, 8, 4, 6), last_change=55_000))
    assert own == HopFacts(agent="desk", other="router", link="", at_ns=1, node_uptime_s=560)
    assert hop == HopFacts(
        agent="desk", other="modem", link="", at_ns=1, box="router", port_speed_bps=1e9, port_full_duplex=1.0,
        port_frames=1_000, port_errors=10, port_dropped=1, port_carrier_changes=1.0,
    )  # fmt: skip


def test_the_first_reading_counts_nothing() -> None:
    _, hop = box(health(500))
    assert (hop.port_errors, hop.port_carrier_changes, hop.port_speed_bps) == (None, None, 1e9)


def test_a_restart_shows_in_the_uptime_and_leaves_the_counts_unknown() -> None:
    own, hop = box(health(90_000), health(20, (10, 20, 0, 0, 0, 0), last_change=1))
    assert own.node_uptime_s == 20
    assert (hop.port_frames, hop.port_errors, hop.port_carrier_changes) == (None, None, None)


def test_ticks_that_begin_anew_after_497_days_are_no_restart() -> None:
    # RFC 2578 7.1.8: TimeTicks are 2^32 hundredths of a second, 497.1 days.
    top = 2**32 / 100
    own, _ = box(health(top - 10), health(50))
    assert own.node_uptime_s == top + 50
    own, _ = box(health(top - 100_000), health(50))
    assert own.node_uptime_s == 50
    own, _ = box(health(top - 10, uptime_wraps=False), health(50, uptime_wraps=False))
    assert own.node_uptime_s == 50


def test_counters_of_32_bits_wrap_and_a_discontinuity_is_not_counted() -> None:
    high: Six = (2**32 - 100, 2_000, 7, 8, 4, 5)
    _, hop = box(health(500), health(560, high), health(620, (400, 2_100, 7, 8, 4, 5)))
    assert hop.port_frames == 600
    _, hop = box(health(500, discontinuity=1), health(560, discontinuity=2))
    assert hop.port_errors is None


def test_where_an_agent_runs_on_the_box_its_own_uptime_is_left_to_that_one() -> None:
    assert [f.box for f in box(health(500), health(560), itself=False)] == ["router"]


def test_a_port_that_is_down_has_no_speed() -> None:
    _, hop = box(health(500, up=False))
    assert hop.port_speed_bps is None
