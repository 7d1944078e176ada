"""Host facts are read off a made-up /proc and /sys in the kernel's own shapes."""

from pathlib import Path

from whichhop.net.host import Host

# The shape of /proc/net/dev and /proc/stat is the kernel's (man proc, 5); the numbers are made up.
# ruff: noqa: E501 - the kernel's own wide table
NET_DEV = """\
Inter-|   Receive                                                |  Transmit
 face |bytes    packets errs drop fifo frame compressed multicast|bytes    packets errs drop fifo colls carrier compressed
    lo:    1000      10    0    0    0     0          0         0     1000      10    0    0    0     0       0          0
 wlan0: 5000000    4000    1    7    0     0          0         3   900000    2000    0    2    0     0       0          0
"""
STAT = "cpu  100 5 50 800 20 1 4 30 9 0\ncpu0 100 5 50 800 20 1 4 30 9 0\nintr 1\n"


def tree(root: Path, files: dict[str, str]) -> Host:
    for name, text in files.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    return Host(root)


def test_interface_counters_come_from_their_own_columns(tmp_path: Path) -> None:
    found = tree(tmp_path, {"proc/net/dev": NET_DEV}).counters()
    assert set(found) == {"lo", "wlan0"}
    radio = found["wlan0"]
    assert radio.rx_bytes == 5_000_000
    assert radio.tx_bytes == 900_000


def test_a_gigabit_link_tells_its_speed_and_duplex(tmp_path: Path) -> None:
    host = tree(tmp_path, {"sys/class/net/eth0/speed": "1000\n", "sys/class/net/eth0/duplex": "full\n"})
    link = host.link_speed("eth0")
    assert (link.speed_bps, link.full_duplex) == (1_000_000_000, True)


def test_a_link_that_is_down_or_unknown_tells_nothing(tmp_path: Path) -> None:
    host = tree(tmp_path, {"sys/class/net/eth0/speed": "-1\n", "sys/class/net/eth0/duplex": "unknown\n"})
    for name in ("eth0", "eth9"):
        link = host.link_speed(name)
        assert (link.speed_bps, link.full_duplex) == (None, None)


def test_processor_ticks_count_guest_time_once(tmp_path: Path) -> None:
    ticks = tree(tmp_path, {"proc/stat": STAT}).cpu()
    assert ticks is not None
    # user nice system idle iowait irq softirq steal; guest (9) is part of user already (man proc_stat, 5)
    assert (ticks.total, ticks.idle, ticks.steal) == (1010, 820, 30)


def test_a_system_without_proc_tells_nothing(tmp_path: Path) -> None:
    host = Host(tmp_path)
    assert host.cpu() is None
    assert host.counters() == {}


def test_this_machine_has_a_loopback_interface_and_processors() -> None:
    host = Host()
    assert "lo" in host.counters()
    ticks = host.cpu()
    assert ticks is not None
    assert ticks.total > 0


ARP = """\
IP address       HW type     Flags       HW address            Mask     Device
192.0.2.1        0x1         0x2         02:00:AA:00:00:01     *        wlan0
192.0.2.9        0x1         0x0         00:00:00:00:00:00     *        wlan0
"""


def test_hardware_addresses_come_from_the_neighbour_table_and_unanswered_ones_are_left_out(
    tmp_path: Path,
) -> None:
    assert tree(tmp_path, {"proc/net/arp": ARP}).hardware_addresses() == {"192.0.2.1": "02:00:aa:00:00:01"}
    assert tree(tmp_path / "other", {}).hardware_addresses() == {}


def test_radios_and_bridges_are_told_by_their_folders(tmp_path: Path) -> None:
    files = {
        "sys/class/net/wlan0/phy80211/name": "phy0\n",
        "sys/class/net/eth0/speed": "1000\n",
        "sys/class/net/br0/bridge/stp_state": "0\n",
    }
    host = tree(tmp_path, files)
    assert host.radios() == ["wlan0"]
    assert (host.is_bridge("br0"), host.is_bridge("eth0")) == (True, False)
