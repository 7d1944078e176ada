"""An agent whose home file says `discover` finds the provider's first hop and measures it from then on."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from support.homes import ALDER_TEXT
from support.namespaces import V4, Path4
from support.need import need_program
from whichhop.config.keys import create_key
from whichhop.net.clock import SystemClock, sleep_s

pytestmark = [pytest.mark.lab, pytest.mark.slow, pytest.mark.waits]
CLOCK = SystemClock()


def test_the_edge_is_found_told_and_measured(path: Path4, tmp_path: Path) -> None:
    text = ALDER_TEXT.replace("203.0.113.7", V4["far"])
    home = tmp_path / "home.yaml"
    home.write_text(text.replace("provider-edge: 198.51.100.1", "provider-edge: discover"))
    create_key(tmp_path / "home.key")
    store = tmp_path / "desk.db"
    argv = [sys.executable, "-m", "whichhop", "run", str(home), "--node", "desk", "--store", str(store)]
    log = tmp_path / "log"
    with log.open("w") as out, subprocess.Popen(path.argv("host", argv), stderr=out) as agent:
        end = CLOCK.mono_ns() + 90 * 10**9
        while f"the provider's first hop is {V4['edge']}, 2 steps" not in log.read_text():
            assert CLOCK.mono_ns() < end, log.read_text()
            sleep_s(0.1)
        sleep_s(4)
        agent.terminate()
        assert agent.wait(20) == 0, log.read_text()
    assert measured(store, "provider-edge") >= 2, log.read_text()


def measured(store: Path, target: str) -> int:
    export = [sys.executable, "-m", "whichhop", "records", "export", "--store", str(store)]
    done = subprocess.run(export, capture_output=True, text=True, check=True)
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    return len([x for x in lines if x.get("target") == target and x.get("rtt_s") is not None])


def test_a_target_by_name_is_enough_and_its_address_outlives_the_resolver(
    path: Path4, tmp_path: Path
) -> None:
    home, store, resolv = tmp_path / "home.yaml", tmp_path / "desk.db", tmp_path / "resolv.conf"
    # Only a host name is allowed: no first hop, no address is written.
    home.write_text(
        ALDER_TEXT.replace("  provider-edge: 198.51.100.1\n", "").replace(
            "{harbour: {address: 203.0.113.7, stamp: true}}", "harbour.example.net"
        )
    )
    create_key(tmp_path / "home.key")
    resolv.write_text(f"nameserver {V4['router']}\noptions timeout:1 attempts:1\n")
    enter = [need_program("unshare"), "-m", "sh", "-c"]
    enter += [f'mount --bind {resolv} /etc/resolv.conf && exec "$@"', "sh"]
    argv = [
        *enter,
        sys.executable,
        "-m",
        "whichhop",
        "run",
        str(home),
        "--node",
        "desk",
        "--store",
        str(store),
    ]
    log = tmp_path / "log"

    def run_until(*words: str) -> str:
        with log.open("w") as out, subprocess.Popen(path.argv("host", argv), stderr=out) as agent:
            end = CLOCK.mono_ns() + 40 * 10**9
            while not all(word in log.read_text() for word in words):
                assert CLOCK.mono_ns() < end, log.read_text()
                sleep_s(0.1)
            sleep_s(4)
            agent.terminate()
            assert agent.wait(20) == 0, log.read_text()
        return log.read_text()

    masq = ["--keep-in-foreground", "--no-resolv", "--no-hosts", "--conf-file=/dev/null", "--pid-file"]
    masq += [f"--address=/harbour.example.net/{V4['far']}", "--user=root"]
    with path.program("router", need_program("dnsmasq"), *masq):
        said = run_until(
            f"harbour.example.net is {V4['far']}", f"the provider's first hop is {V4['edge']}, 2"
        )
    assert measured(store, "harbour") >= 2, said
    before = measured(store, "provider-edge"), measured(store, "harbour")
    # The resolver is gone: one line says so, and measuring goes on to the last address.
    said = run_until(f"going on with {V4['far']}, its last address")
    assert said.count("going on with") == 1, said
    assert measured(store, "provider-edge") > before[0] + 1, said
    assert measured(store, "harbour") > before[1] + 1, said
