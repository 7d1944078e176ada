"""Which neighbour a port or a radio's station leads to, and what is kept of it."""

from support.homes import alder
from whichhop.daemon.beside.link_watch import Beside, beside, port_readings, radio_readings
from whichhop.net.host import LinkSpeed
from whichhop.probes.radio_stations import Station

HOME = alder()
ATTIC = HOME.nodes["attic"]


def station(mac: str, send_bps: float | None = 866.7e6) -> Station:
    return Station(device="wlan0", mac=mac, send_bps=send_bps, receive_bps=400e6, signal_dbm=-58.0)


def others(name: str) -> list[Beside]:
    return list(beside(HOME, HOME.nodes[name]))


def figures(name: str, stations: list[Station], macs: dict[str, str]) -> dict[str, float]:
    return {r.name: r.value for r in radio_readings(7, name, others(name), stations, macs)}


def test_the_nodes_beside_are_both_ends_of_its_links() -> None:
    assert {o.node.name for o in others("attic")} == {"desk", "router"}


def test_a_port_that_does_not_tell_its_speed_leaves_nothing() -> None:
    ports = {
        "router": LinkSpeed(speed_bps=100_000_000, full_duplex=False),
        "desk": LinkSpeed(speed_bps=None, full_duplex=None),
    }
    found = {r.name: r.value for r in port_readings(7, "study", ports)}
    assert found == {"port_speed_bps:router": 100e6, "port_full_duplex:router": 0.0}


def test_a_client_takes_its_only_station_for_its_access_point() -> None:
    # The access point's radio has another hardware address than the one behind its IP address.
    found = figures("desk", [station("02:00:00:00:00:99")], {"192.0.2.2": "02:00:00:00:00:01"})
    assert found == {
        "radio_rate_bps:attic": 866.7e6,
        "radio_receive_rate_bps:attic": 400e6,
        "radio_signal_dbm:attic": -58.0,
    }


def test_a_mesh_node_tells_its_neighbours_apart_by_hardware_address_and_never_guesses() -> None:
    macs = {"192.0.2.1": "02:00:00:00:00:01", "192.0.2.20": "02:00:00:00:00:14"}
    both = [station("02:00:00:00:00:14", 300e6), station("02:00:00:00:00:01", 1200e6)]
    found = figures("attic", both, macs)
    assert found["radio_rate_bps:desk"] == 300e6
    assert found["radio_rate_bps:router"] == 1200e6
    assert figures("attic", [station("02:00:00:00:00:77")], macs) == {}


def test_a_rate_that_is_not_told_is_not_kept() -> None:
    assert "radio_rate_bps:attic" not in figures("desk", [station("02:00:00:00:00:99", None)], {})
