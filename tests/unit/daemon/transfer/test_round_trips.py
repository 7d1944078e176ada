"""Round trips a minute from what a transfer saw, by the draft's worked numbers."""

from typing import Any

import pytest

from whichhop.daemon.transfer.figures import round_trips_of


def outcome(
    seconds: int = 9, *, tls: bool = True, loaded_ms: float = 100.0, rates: list[float] | None = None
) -> dict[str, Any]:
    """Ten probes a second of 20 ms TCP, 25 ms TLS, 30 ms HTTP, on a connection of 100 ms."""
    ends = [1.05 + number * 0.1 for number in range((seconds - 1) * 10)]
    return {
        "sent": {
            "seconds": float(seconds),
            "rates": rates if rates is not None else [50e6] * (seconds - 1),
            "loaded": {"mean_ms": loaded_ms, "per_interval_ms": [loaded_ms] * (seconds - 1)},
        },
        "received": {},
        "beside": {
            "tcp": [[at, 20.0] for at in ends],
            "tls": [[at, 25.0] for at in ends] if tls else [],
            "http": [[at, 30.0] for at in ends],
            "failed": 2,
            "begun": len(ends) + 2,
        },
    }


@pytest.mark.parametrize("tls", [True, False])
def test_the_worked_value_of_the_draft_comes_out(tls: bool) -> None:
    # 60000 / mean(20, 25, 30) = 2400 and 60000 / 100 = 600, whose mean is 1500; without TLS mean(20, 30) is
    # 25 as well. Of draft-ietf-ippm-responsiveness, check values 5.38 and 5.39.
    found = round_trips_of(outcome(tls=tls))
    assert found is not None
    assert found.foreign_per_minute == pytest.approx(2400)
    assert found.loaded_per_minute == pytest.approx(600)
    assert found.overall_per_minute == pytest.approx(1500)
    assert (found.tls_ms is None) is not tls
    assert (found.probes, found.failed) == (80, 2)


def test_it_is_stable_once_seven_seconds_hold_still_and_not_before() -> None:
    # Four moving averages of four seconds need seven of them (MAD 4, interval 1 s).
    long, short = round_trips_of(outcome(8)), round_trips_of(outcome(7))
    assert long is not None
    assert short is not None
    assert (long.stable, short.stable) == (True, False)


def test_a_rate_that_still_rises_is_not_stable() -> None:
    found = round_trips_of(outcome(9, rates=[10e6 * (n + 1) for n in range(8)]))
    assert found is not None
    assert not found.stable


def test_round_trips_that_still_grow_are_not_stable_though_the_rate_is() -> None:
    seen = outcome(9)
    seen["sent"]["loaded"]["per_interval_ms"] = [20.0 * (n + 1) for n in range(8)]
    seen["beside"]["http"] = [[at, 20.0 * at] for at, _ in seen["beside"]["http"]]
    found = round_trips_of(seen)
    assert found is not None
    assert not found.stable


@pytest.mark.parametrize(
    "change", [{"http": []}, {"tcp": []}, {"http": [[1.1, 30.0], [1.2, 30.0]]}], ids=["http", "tcp", "few"]
)
def test_without_enough_of_a_kind_there_is_no_figure(change: dict[str, Any]) -> None:
    seen = outcome()
    seen["beside"] |= change
    assert round_trips_of(seen) is None


def test_without_the_loaded_connections_own_there_is_no_figure() -> None:
    seen = outcome()
    seen["sent"]["loaded"]["mean_ms"] = None
    assert round_trips_of(seen) is None
    assert round_trips_of({"sent": {"seconds": 3.0}, "received": {}}) is None
