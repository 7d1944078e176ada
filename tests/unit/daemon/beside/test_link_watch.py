"""Which neighbour a port or a radio's station leads to, and what is kept of it and when."""

import asyncio
from collections.abc import Iterable
from pathlib import Path

from msgspec.structs import replace

from support.homes import alder
from support.probing import HandClock
from whichhop.daemon.beside.link_watch import Beside, LinkWatch, Way, beside, moved, ways
from whichhop.daemon.job_runner import Troubles
from whichhop.errors import SystemRefusedError
from whichhop.model import Reading
from whichhop.model.hop_facts import facts_of
from whichhop.model.units import NS_PER_S
from whichhop.net.host import Host
from whichhop.probes.own_links import OwnLinks, Radio
from whichhop.wire.radio_air import Airtime, Station

HOME = alder()
ROUTER_MAC, DESK_MAC, STRANGE_MAC = "02:00:00:00:00:01", "02:00:00:00:00:14", "02:00:00:00:00:77"
MACS = {"192.0.2.1": ROUTER_MAC, "192.0.2.20": DESK_MAC}


def station(mac: str, signal_dbm: float = -58.0) -> Station:
    return Station(mac=mac, send_bps=866.7e6, receive_bps=400e6, signal_dbm=signal_dbm)


def links(**radios: list[Station]) -> OwnLinks:
    return OwnLinks(at_ns=7, mono_ns=7, radios={name: Radio(stations=told) for name, told in radios.items()})


def others(name: str) -> list[Beside]:
    return list(beside(HOME, HOME.nodes[name]))


def test_the_nodes_beside_are_both_ends_of_its_links() -> None:
    assert {o.node.name for o in others("attic")} == {"desk", "router"}


def test_a_client_takes_its_only_station_for_its_access_point() -> None:
    # The access point's radio often has another hardware address than the one behind its IP address.
    found = ways(
        others("desk"),
        {"attic": "wlan0"},
        {"192.0.2.2": "02:00:00:00:00:02"},
        links(wlan0=[station(STRANGE_MAC)]),
    )
    assert found == {"attic": Way(interface="wlan0", mac=STRANGE_MAC)}


def test_a_mesh_node_tells_its_neighbours_apart_by_hardware_address_and_never_guesses() -> None:
    both = links(wlan0=[station(DESK_MAC)], wlan1=[station(ROUTER_MAC)])
    assert ways(others("attic"), {}, MACS, both) == {
        "desk": Way(interface="wlan0", mac=DESK_MAC),
        "router": Way(interface="wlan1", mac=ROUTER_MAC),
    }
    assert ways(others("attic"), {}, MACS, links(wlan0=[station(STRANGE_MAC)])) == {}


def test_a_bridge_tells_behind_which_of_its_ports_a_neighbour_is() -> None:
    wired = [o for o in others("router") if o.node.name == "study"]
    toward = {"study": "br-lan"}
    macs = {wired[0].node.address or "": DESK_MAC}
    seen = OwnLinks(at_ns=7, mono_ns=7, behind={DESK_MAC: "lan2"})
    assert ways(wired, toward, macs, seen, ["br-lan"]) == {"study": Way(interface="lan2")}
    assert ways(wired, toward, macs, OwnLinks(at_ns=7, mono_ns=7), ["br-lan"]) == {}


def test_a_cable_plugged_in_beside_a_radio_link_is_not_taken_for_it() -> None:
    assert ways(others("desk"), {"attic": "eth0"}, MACS, links()) == {}


def test_a_change_is_news_and_the_noise_of_a_still_radio_is_not() -> None:
    kept = {"radio_busy_share": 0.2, "radio_signal_dbm": -60.0, "radio_connected_s": 500.0}
    assert not moved(kept, {"radio_busy_share": 0.25, "radio_signal_dbm": -63.0, "radio_connected_s": 510.0})
    assert moved(kept, {"radio_busy_share": 0.82})
    assert moved(kept, {**kept, "radio_connected_s": 3.0})
    assert moved({}, {"radio_retry_share": 0.0})
    assert moved({"port_carrier_changes": 2.0}, {"port_carrier_changes": 2.0})
    assert not moved(kept, {})


class Watched:
    """A watch of desk, whose looks are given one after the other, ten seconds apart."""

    def __init__(self, root: Path, looks: Iterable[OwnLinks | Exception]) -> None:
        self.kept: list[list[Reading]] = []
        self.said: list[str] = []
        self._looks = iter(looks)
        self.clock = HandClock()
        self.watch = LinkWatch(
            Host(root),
            self.clock,
            self.kept.append,
            troubles=Troubles(self.said.append, lambda _: None),
            see=self._see,
        )
        self.watch.follow(HOME, HOME.nodes["desk"])

    def _see(self, at_ns: int, mono_ns: int, _radios: Iterable[str]) -> OwnLinks:
        found = next(self._looks)
        if isinstance(found, Exception):
            raise found
        return replace(found, at_ns=at_ns, mono_ns=mono_ns)

    def turns(self, count: int) -> None:
        for _ in range(count):
            asyncio.run(self.watch.turn())
            self.clock.pass_ns(10 * NS_PER_S)

    def facts(self) -> list[tuple[float, str, float | None, float | None]]:
        """Seconds since the first look, neighbour, busy share and uptime, as a comparer gets them."""
        readings = [r for once in self.kept for r in once]
        begin = readings[0].at_ns
        return [
            ((f.at_ns - begin) / 1e9, f.other, f.radio_busy_share, f.node_uptime_s)
            for f in facts_of(HOME, readings)
        ]


def air(on_s: float, busy_s: float) -> OwnLinks:
    airtime = Airtime(frequency_mhz=5180, on_ms=round(on_s * 1e3), busy_ms=round(busy_s * 1e3))
    return OwnLinks(
        at_ns=0, mono_ns=0, radios={"wlan0": Radio(stations=[station(STRANGE_MAC)], airtime=airtime)}
    )


def machine(root: Path) -> Path:
    (root / "proc").mkdir()
    (root / "proc/uptime").write_text("3600.50 7000.00\n")  # man proc_uptime, 5: up and idle, seconds
    (root / "sys/class/net/wlan0/phy80211").mkdir(parents=True)
    return root


def test_a_still_radio_is_kept_once_a_minute(tmp_path: Path) -> None:
    watched = Watched(machine(tmp_path), [air(100 + 10 * n, 20 + 2 * n) for n in range(14)])
    watched.turns(14)
    assert watched.watch.pause_s == 10
    of_attic = [(at, busy) for at, other, busy, _ in watched.facts() if other == "attic"]
    # The first look counts nothing; the second tells the first share.
    assert of_attic == [(0.0, None), (10.0, 0.2), (70.0, 0.2), (130.0, 0.2)]
    assert (70.0, "desk", None, 3600.5) in watched.facts()


def test_a_busy_channel_is_kept_apart_from_the_quiet_before_it(tmp_path: Path) -> None:
    busy = [0.0, 2, 4, 6, 15, 24, 26, 28]  # of each ten seconds: 2, 2, 2, then 9, 9, then 2, 2
    watched = Watched(machine(tmp_path), [air(100 + 10 * n, s) for n, s in enumerate(busy)])
    watched.turns(len(busy))
    of_attic = [(at, busy) for at, other, busy, _ in watched.facts() if other == "attic"]
    assert of_attic == [(0.0, None), (10.0, 0.2), (30.0, 0.2), (40.0, 0.9), (50.0, 0.9), (60.0, 0.2)]


def test_a_kernel_without_netlink_leaves_what_the_file_tree_tells(tmp_path: Path) -> None:
    trouble = SystemRefusedError("netlink: no socket (Operation not permitted)")
    watched = Watched(machine(tmp_path), [trouble, trouble, air(5, 1)])
    watched.turns(3)
    assert len(watched.said) == 2
    assert "only the speed is known" in watched.said[0]
    assert [other for _, other, _, _ in watched.facts()] == ["desk", "attic", "desk"]


def test_a_wired_machine_looks_once_a_minute(tmp_path: Path) -> None:
    watched = Watched(tmp_path, [OwnLinks(at_ns=0, mono_ns=0)])
    watched.turns(1)
    assert watched.watch.pause_s == 60
    assert watched.kept == [[]]
