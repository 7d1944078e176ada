"""A transfer's result from what both halves saw: RFC 6349's figures, and honesty about what limited it."""

from typing import Any

import pytest

from whichhop.daemon.transfer.figures import NO_QUEUE, Asked, port_goodput, result_of
from whichhop.model.transfer import TransferResult, UnderLoad

ASKED: dict[str, Any] = {"agent": "desk", "other_end": "attic", "way": "out", "streams": 1, "cores": 2}


def seen(**change: Any) -> dict[str, Any]:
    sent = {
        "seconds": 12.0,
        "octets": 500_000_000,
        "wire_octets": 550_000_000,
        "first_octets": 100_000,
        "resent_octets": 2_000,
        "settled": {"rate_bps": 333e6, "slots": 8, "spread": 0.01, "steady": True},
        "base_rtt_s": 0.025,
        "mean_rtt_s": 0.032,
        "busy": 1.0,
        "window": 0.0,
        "buffer": 0.0,
        "cpu": 0.1,
        "ended": "steady",
    }
    return {"sent": sent | change, "received": {"rate_bps": 330e6, "cpu": 0.2}}


def load(before_s: float, during_s: float, lost: int = 0) -> UnderLoad:
    return UnderLoad(
        target="harbour",
        before_s=before_s,
        during_s=during_s,
        during_p95_s=during_s,
        after_s=before_s,
        sent=100,
        lost=lost,
        trips_per_minute=60 / during_s,
    )


def result(outcome: dict[str, Any], beside: UnderLoad | None = None, **more: Any) -> TransferResult:
    return result_of(Asked(**{**ASKED, **more}), outcome, start_ns=0, load=beside)


def test_rfc_6349s_worked_values_come_out_of_the_same_functions() -> None:
    # 4.1.2: 5 x 100 MB at 500 Mbit/s take 8 s ideally, 12 s in fact; 4.2.1: 100,000 sent 2,000 sent again;
    # 4.3.1: 25 ms at rest, 32 ms on average
    found = result(seen(), ideal_bps=500e6)
    assert found.time_ratio == pytest.approx(1.5)
    assert found.efficiency == pytest.approx(100_000 / 102_000)
    assert found.buffer_delay == pytest.approx(0.28)


def test_without_a_known_rate_the_ideal_is_the_measured_one() -> None:
    assert result(seen()).time_ratio == pytest.approx(12 / (500e6 * 8 / 333e6))


def test_a_full_port_is_the_machines_limit_and_the_rate_a_lower_bound() -> None:
    # 1448 of 1538 octets at 100 Mbit/s: check value 5.14, 94.15 Mbit/s
    assert port_goodput(100e6) == pytest.approx(94.148e6, rel=1e-4)
    found = result(seen(settled={"rate_bps": 94e6, "spread": 0.01, "steady": True}), port_bps=100e6)
    assert found.limited == "the machine's own port"
    assert found.at_least


def test_a_port_that_lets_more_through_than_its_speed_has_another() -> None:
    # A virtual device tells 10 Mbit/s; neither is it the limit then, nor what the ideal time is counted from.
    found = result(seen(), port_bps=10e6)
    assert not found.at_least
    assert found.time_ratio == pytest.approx(12 / (500e6 * 8 / 333e6))


def test_fresh_connections_are_charged_too_and_their_round_trips_told() -> None:
    trips = {"tcp": [[1.2, 20.0]] * 4, "tls": [], "http": [[1.3, 30.0]] * 4, "failed": 0, "begun": 5}
    loaded = {"mean_ms": 100.0, "per_interval_ms": []}
    beside = {"beside": trips, "beside_octets": 8_000}
    found = result(seen(loaded=loaded, rates=[]) | beside)
    assert found.wire_octets == 550_008_000
    assert found.round_trips is not None
    assert found.round_trips.overall_per_minute == pytest.approx(1500)
    assert {r.name: r.value for r in found.readings()}["transfer_out_round_trips_per_minute:attic"] == 1500


@pytest.mark.parametrize(
    ("beside", "limited"),
    [
        (load(0.02, 0.08), ""),
        (load(0.02, 0.0202, lost=5), ""),
        (load(0.02, 0.0202), NO_QUEUE),
        (None, NO_QUEUE),
    ],
)
def test_a_servers_rate_is_the_lines_only_if_packets_beside_it_felt_it(
    beside: UnderLoad | None, limited: str
) -> None:
    assert result(seen(), beside, url=True).limited == limited


def test_nothing_moved_is_no_division_by_nothing() -> None:
    found = result(seen(octets=0, first_octets=0, resent_octets=0, settled=None, base_rtt_s=None))
    assert (found.rate_bps, found.efficiency, found.time_ratio, found.buffer_delay) == (0, None, None, None)


def test_readings_carry_the_other_end_and_the_way_in_their_names() -> None:
    readings = {r.name: r for r in result(seen(), load(0.02, 0.08)).readings()}
    assert readings["transfer_out_rate_bps:attic"].value == 333e6
    assert readings["transfer_out_added_delay_s:attic"].value == pytest.approx(0.06)
    assert {r.at_ns for r in readings.values()} == {12_000_000_000}
