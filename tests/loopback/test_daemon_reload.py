"""A changed home file is followed by everything in a running agent, or refused whole in one line."""

import re
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from support.loopback_home import ADDRESS, LoopbackHome, free_port
from whichhop.config.keys import PurposeKeys, create_key, derive_keys, read_key
from whichhop.errors import RemoteError

pytestmark = [pytest.mark.slow, pytest.mark.waits]


@pytest.fixture
def home(tmp_path: Path) -> Iterator[LoopbackHome]:
    made = LoopbackHome(tmp_path)
    yield made
    made.end()


def test_an_agent_added_by_a_reload_is_answered_at_once_and_loses_nothing(home: LoopbackHome) -> None:
    home.write(["desk", "study"])
    for node in ("desk", "study"):
        home.start(node)
    # The reflectors meet the attic's address as a stranger's; they must not remember it as one.
    home.wait(lambda: home.metric("desk", "packets_refused_total").get(("study", "stamp", "address"), 0) > 0)
    home.write(["desk", "study", "attic"])
    for node in ("desk", "study"):
        home.reload(node, "home file read again: 3 sessions")
    home.start("attic")
    home.wait(lambda: home.answered("attic", "desk") >= 6 and home.answered("attic", "study") >= 6)
    # 3 s is a packet's waiting time (wire/flight.py), so what is lost of the first ones has been said.
    lost = home.metric("attic", "packets_lost_total")
    assert sum(n for (target, *_), n in lost.items() if target in ("desk", "study")) == 0
    # And the running ones ask the new one.
    home.wait(lambda: home.answered("desk", "attic") >= 2)


def test_the_ports_follow_the_file(home: LoopbackHome) -> None:
    home.start("desk")
    home.start("study")
    old = (home.api, home.stamp, home.transfer, home.tls)
    home.api, home.stamp, home.transfer = free_port(), free_port(socket.SOCK_DGRAM), free_port()
    home.tls = free_port()
    home.write(["desk", "study", "attic"])
    for node in ("desk", "study"):
        home.running[node].send_signal(1)
    for node in ("desk", "study"):
        home.wait_for(node, "home file read again")
    before = home.answered("desk", "study")
    home.wait(lambda: home.answered("desk", "study") >= before + 2)
    assert home.health()["status"] == "ok"
    with socket.create_connection((ADDRESS["desk"], home.transfer), timeout=5) as talk:
        assert b"nonce" in talk.recv(200)
    for port in (old[0], old[2], old[3]):
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection((ADDRESS["desk"], port), timeout=5)
    assert home.stop("desk") == 0


def test_one_port_alone_can_change(home: LoopbackHome) -> None:
    home.start("desk")
    keys = derive_keys(read_key(home.key))
    home.tls = free_port()
    home.write(["desk", "study", "attic"])
    home.reload("desk")
    home.wait(lambda: _answers(home, keys))
    assert home.health()["status"] == "ok"


def _answers(home: LoopbackHome, keys: PurposeKeys) -> bool:
    try:
        return bool(home.ask("desk", "/api/home", keys))
    except (OSError, RemoteError):
        return False


@pytest.mark.parametrize("which", ["api", "stamp", "transfer", "tls"])
def test_one_port_that_is_taken_refuses_the_whole_change_in_one_line(home: LoopbackHome, which: str) -> None:
    home.write(["desk", "study"])
    home.start("desk")
    names = ("api", "stamp", "transfer", "tls")
    before = {name: getattr(home, name) for name in names}
    kind = socket.SOCK_DGRAM if which == "stamp" else socket.SOCK_STREAM
    with socket.socket(socket.AF_INET, kind) as taken:
        taken.bind((ADDRESS["desk"], 0))
        if kind == socket.SOCK_STREAM:
            taken.listen()
        home.api, home.stamp, home.transfer = free_port(), free_port(socket.SOCK_DGRAM), free_port()
        home.tls = free_port()
        setattr(home, which, taken.getsockname()[1])
        home.write(["desk", "study", "attic"])
        new = {name: getattr(home, name) for name in names}
        for name, port in before.items():
            setattr(home, name, port)
        home.reload("desk", "was not taken over")
    (line,) = [x for x in home.log("desk").splitlines() if "was not taken over" in x]
    assert str(new[which]) in line
    # Nothing changed: not the ports, not the sessions; and what was opened for it is given back.
    home.measures_on()
    assert ("attic", "stamp") not in home.metric("desk", "packets_sent_total")
    for port in {new["api"], new["transfer"], new["tls"]} - {new[which]}:
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection((ADDRESS["desk"], port), timeout=5)
    # Once the port is free the same file is taken over.
    home.running["desk"].send_signal(1)
    home.wait_for("desk", "home file read again: 3 sessions")


def test_the_key_follows_its_file(home: LoopbackHome) -> None:
    home.start("desk")
    home.start("study")
    home.wait(lambda: home.answered("desk", "study") >= 2)
    old = derive_keys(read_key(home.key))
    home.ask("desk", "/api/home", old)
    home.key.unlink()
    create_key(home.key)
    for node in ("desk", "study"):
        home.reload(node)
    with pytest.raises(RemoteError, match="with this home's key"):
        home.ask("desk", "/api/home", old)
    home.ask("desk", "/api/home", derive_keys(read_key(home.key)))
    # Both sign with the new key now: answers still come.
    before = home.answered("desk", "study")
    home.wait(lambda: home.answered("desk", "study") >= before + 4)


def test_a_file_with_many_mistakes_is_one_line(home: LoopbackHome) -> None:
    home.start("desk")
    home.write(["desk", "study"], "\n".join(f"unknown{n}: 1" for n in range(50)))
    home.reload("desk", "was not taken over")
    lines = [x for x in home.log("desk").splitlines() if "metrics on" not in x]
    assert len(lines) == 1
    assert "unknown0" in lines[0]
    assert re.search(r"\(and \d+ more: whichhop check ", lines[0])
    home.write(["study"])
    home.reload("desk", "no agent runs on 'desk'")
    home.measures_on()
