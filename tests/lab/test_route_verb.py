"""`whichhop route` typed on a host of a home, over real routers and with a reflector at the peer."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from support.homes import ALDER_TEXT
from support.namespaces import V4, Path4, stamp_reflector

pytestmark = [pytest.mark.lab, pytest.mark.slow, pytest.mark.waits]


def home_file(folder: Path, port: int = 862) -> Path:
    text = ALDER_TEXT.replace("203.0.113.7", V4["far"]).replace(
        "provider-edge: 198.51.100.1", "provider-edge: discover"
    )
    file = folder / "home.yaml"
    file.write_text(f"{text}ports: {{stamp: {port}}}\n")
    return file


def route(path: Path4, *words: str) -> "subprocess.CompletedProcess[str]":
    argv = path.argv("host", [sys.executable, "-m", "whichhop", "route", *words])
    return subprocess.run(argv, capture_output=True, text=True, check=False)


def test_route_sizes_and_marks_come_in_one_answer(path: Path4, tmp_path: Path) -> None:
    path.run("edge", "ip", "link", "set", "dev", "far", "mtu", "1492")
    path.run("far", "ip", "link", "set", "dev", "edge", "mtu", "1492")
    path.rules("edge", "forward", "ip dscp set cs0")
    with stamp_reflector(path, V4["far"]) as port:
        done = route(path, str(home_file(tmp_path, port)), "harbour", "--sizes", "--dscp", "--json")
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert [hop["addresses"] for hop in found["hops"]] == [[V4["router"]], [V4["edge"]], [V4["far"]]]
    assert found["provider_edge"] == {"address": V4["edge"], "step": 2, "certain": True}
    assert (found["path_mtu"]["octets"], found["path_mtu"]["told"]) == (1492, 1492)
    assert found["dscp"] == {"sent": 46, "seen": 0, "fate": "bleached"}


def test_the_table_names_the_homes_own_nodes(path: Path4, tmp_path: Path) -> None:
    done = route(path, str(home_file(tmp_path)))
    assert done.returncode == 0, done.stderr
    assert "router" in done.stdout.splitlines()[1]
    assert "harbour" in done.stdout.splitlines()[3]
    assert f"The provider's first hop is {V4['edge']} (step 2)." in done.stdout


def test_without_a_way_out_one_line_says_so_and_the_code_is_two(path: Path4, tmp_path: Path) -> None:
    path.run("host", "ip", "route", "del", "default")
    done = route(path, str(home_file(tmp_path)))
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.splitlines()[-1].startswith(f"no way to {V4['far']} from this machine")
