"""Where a machine stands, read from a made-up /proc and /sys in the forms that proc(5) gives."""

from pathlib import Path

import pytest

from whichhop.errors import SystemRefusedError
from whichhop.net.surroundings import default_gateway, look_around

HEAD = "Iface\tDestination\tGateway \tFlags\tRefCnt\tUse\tMetric\tMask\t\tMTU\tWindow\tIRTT\n"
ETHERNET = "eth0\t00000000\t010200C0\t0003\t0\t0\t100\t00000000\t0\t0\t0\n"
RADIO = "wlan0\t00000000\tFE0200C0\t0003\t0\t0\t600\t00000000\t0\t0\t0\n"
LOCAL = "eth0\t000200C0\t00000000\t0001\t0\t0\t100\t00FFFFFF\t0\t0\t0\n"
SIX = (
    f"{'0' * 32} 00 {'0' * 32} 00 20010db8000000000000000000000001 00000400 00000001 00000000 00000003 eth0\n"
)


def tree(folder: Path, route: str | None, six: str = "", radio: str = "") -> Path:
    (folder / "proc/net").mkdir(parents=True)
    if route is not None:
        (folder / "proc/net/route").write_text(route)
    (folder / "proc/net/ipv6_route").write_text(six)
    if radio:
        (folder / f"sys/class/net/{radio}/phy80211").mkdir(parents=True)
    return folder


def test_the_default_route_of_least_metric_names_the_router(tmp_path: Path) -> None:
    assert default_gateway(tree(tmp_path, HEAD + RADIO + LOCAL + ETHERNET)) == "192.0.2.1"


def test_without_ipv4_the_ipv6_route_does(tmp_path: Path) -> None:
    assert default_gateway(tree(tmp_path, HEAD, SIX)) == "2001:db8::1"


def test_a_router_known_by_its_link_alone_is_taken_where_nothing_wider_is(tmp_path: Path) -> None:
    local = SIX.replace("20010db8" + "0" * 23 + "1", "fe80" + "0" * 27 + "1").replace("00000400", "00000100")
    assert default_gateway(tree(tmp_path / "a", HEAD, local)) == "fe80::1"
    assert default_gateway(tree(tmp_path / "b", HEAD, local + SIX)) == "2001:db8::1"


@pytest.mark.parametrize(
    "route", [None, HEAD, HEAD + LOCAL, HEAD + "eth0\tzz\n", "\x00\n", HEAD + ETHERNET[:30]]
)
def test_no_or_an_odd_table_is_no_gateway(tmp_path: Path, route: str | None) -> None:
    assert default_gateway(tree(tmp_path, route)) is None


def test_a_machine_on_radio_is_known_as_such(tmp_path: Path) -> None:
    root = tree(tmp_path, HEAD + RADIO, radio="wlan0")
    found = look_around(
        root=root, own=lambda _: "192.0.2.21", toward=lambda _: "wlan0", name=lambda: "Sofa-PC.example.net"
    )
    assert (found.gateway, found.address, found.radio) == ("192.0.2.254", "192.0.2.21", True)


def test_without_a_way_out_the_remedy_is_said(tmp_path: Path) -> None:
    with pytest.raises(SystemRefusedError, match="--gateway ADDRESS"):
        look_around(root=tree(tmp_path, HEAD))
    with pytest.raises(SystemRefusedError, match=r"no way to 192\.0\.2\.9"):
        look_around("192.0.2.9", root=tmp_path, own=lambda _: None)
