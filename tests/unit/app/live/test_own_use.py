"""Own traffic of the last minute from what was kept: counters' differences, and the devices' means."""

from pathlib import Path

from whichhop.app.live.live_news import own_use
from whichhop.model import Reading
from whichhop.model.bulletin import DeviceUse
from whichhop.store.store import Store

S = 1_000_000_000
NOW = 1_772_366_400 * S


def kept(folder: Path, *rows: tuple[float, str, float]) -> Store:
    store = Store.make(folder / "a.db")
    store.append_all(
        [],
        [
            Reading(at_ns=NOW + round(s * S), agent="router", name=name, value=value)
            for s, name, value in rows
        ],
    )
    return store


def counts(up_bytes: float) -> list[tuple[float, str, float]]:
    """Six counts in fifty seconds."""
    rows = []
    for n in range(6):
        rows += [(10.0 * n - 50, "wan_rx_bytes", 1e6), (10.0 * n - 50, "wan_tx_bytes", n * up_bytes / 5)]
    return rows


def test_a_rate_is_octets_by_time_and_devices_are_means_of_their_looks(tmp_path: Path) -> None:
    devices = [(-20.0, 3.9e6), (-10.0, 4.1e6), (0.0, 4.3e6)]
    rows = counts(26.25e6) + [(s, "device_up_bps:nas", v) for s, v in devices]
    rows += [(s, "device_down_bps:nas", 1e5) for s, _ in devices] + [(-10.0, "device_up_bps:desk", 0.3e6)]
    with kept(tmp_path, *rows) as store:
        use = own_use(store, NOW)
    assert use is not None
    assert (use.down_bps, use.up_bps) == (0.0, 4.2e6)  # 26.25 MB in 50 s
    nas, desk = use.devices
    assert (nas.name, round(nas.up_bps), round(nas.down_bps)) == ("nas", 4_100_000, 100_000)
    assert desk == DeviceUse(name="desk", down_bps=0.0, up_bps=0.1e6)


def test_nothing_counted_or_a_counter_that_began_again_is_no_own_traffic(tmp_path: Path) -> None:
    with kept(tmp_path) as store:
        assert own_use(store, NOW) is None
    (tmp_path / "a.db").unlink()
    with kept(tmp_path, *counts(-1e6)) as store:
        assert own_use(store, NOW) is None
