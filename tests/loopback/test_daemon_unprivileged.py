"""The agent as a user with no rights at all: no capability, no file of root's, in a network of its own."""

import contextlib
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from support.namespaces import within
from support.need import need_program
from support.system_calls import launched
from whichhop.config.keys import create_key
from whichhop.errors import RemoteError
from whichhop.net.clock import SystemClock, sleep_s
from whichhop.net.http_client import fetch
from whichhop.store.store import Store

pytestmark = [pytest.mark.slow, pytest.mark.waits]

NOBODY = 65_534
"""The overflow user of Linux (kernel documentation, sysctl/fs: overflowuid)."""
UNIT = Path(__file__).parents[2] / "deploy" / "whichhop@.service"
HOME = """\
home: Nobody's House
nodes:
  router: {kind: router, address: 127.0.81.1}
  desk: {kind: host, address: 127.0.81.20, agent: true}
  study: {kind: host, address: 127.0.0.1, agent: true}
links:
  - {join: [desk, router], kind: wired}
  - {join: [study, router], kind: wired}
ports: {stamp: 8862}
"""
METRICS = "http://127.0.81.20:8620/metrics"
# The interpreter may lie under a folder that is root's alone: there, and only in this mount namespace, root's
# folder is another one that holds just the interpreter.
WITHIN = """\
set -e
ip link set lo up
if [ -n "$1" ]; then echo "$1" > /proc/sys/net/ipv4/ping_group_range; fi
if ! setpriv --reuid $0 --regid $0 --clear-groups test -x "$2"; then
  mkdir "$3/aside"; mount --bind "$2" "$3/aside"; top=/$(echo "$2" | cut -d/ -f2)
  mount -t tmpfs -o mode=0755 tmpfs "$top"; mkdir -p "$2"; mount --bind "$3/aside" "$2"
fi
# As under ProtectSystem=strict or in a read-only container: only the folder of its own may be written.
mount --bind "$3" "$3"
mount -o remount,bind,ro /
if touch /usr/written 2> /dev/null; then echo "/ may be written" >&2; exit 9; fi
home=$3; shift 3
exec setpriv --reuid $0 --regid $0 --clear-groups --no-new-privs --inh-caps=-all --bounding-set=-all \
  "$@" -P -m whichhop run "$home/home.yaml" --node desk --store "$home/desk.db" --key "$home/handed/home.key"
"""
MOST_S = 120.0
"""What a machine may take that computes on every core; an agent that answers ends a test long before."""
ANSWERED = r'whichhop_round_trip_seconds_count\{[^}]*method="echo"[^}]*\} [1-9]'


@pytest.fixture
def folder() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(dir="/tmp") as made:  # not pytest's, which is closed to others
        path = Path(made)
        (path / "home.yaml").write_text(HOME)
        (path / "handed").mkdir()
        create_key(path / "handed" / "home.key")
        for one in (path, path / "home.yaml"):
            os.chown(one, NOBODY, NOBODY)
        yield path


def hand_over(folder: Path, mode: int) -> None:
    """The key as a service manager has it: 0400 and the service's own, or 0440, root's and readable by it."""
    owner = NOBODY if mode == 0o400 else 0
    for one, bits in ((folder / "handed" / "home.key", mode), (folder / "handed", mode | 0o110)):
        one.chmod(bits)
        os.chown(one, owner, NOBODY)


def begin(folder: Path, may_ping: str, launcher: Sequence[str] = ()) -> "subprocess.Popen[str]":
    """The agent itself: each program on the way becomes the next one. launcher: words before its own."""
    for program in ("unshare", "setpriv", "ip", "mount"):
        need_program(program)
    around = ["unshare", "--mount", "--net", "--propagation", "private", "sh", "-c", WITHIN, str(NOBODY)]
    return subprocess.Popen(
        [*around, may_ping, sys.base_prefix, str(folder), *launcher, sys.executable],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={
            "PATH": os.environ["PATH"],
            "HOME": "/nonexistent",
            "PYTHONDONTWRITEBYTECODE": "1",
            "CREDENTIALS_DIRECTORY": str(folder / "handed"),
        },
    )


def until_answered(agent: "subprocess.Popen[str]") -> None:
    """Until its metrics, asked for in its own network, count an answered echo."""
    network = Path(f"/proc/{agent.pid}/ns/net")
    end_ns = SystemClock().mono_ns() + round(MOST_S * 1e9)
    while agent.poll() is None and SystemClock().mono_ns() < end_ns:
        with contextlib.suppress(RemoteError, OSError):  # nobody listens yet, or it has ended
            if re.search(ANSWERED, within(network, lambda: fetch(METRICS)).decode()):
                return
        sleep_s(0.2)
    agent.kill()
    pytest.fail(f"no echo was answered: {agent.communicate()[1]}")


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become another user")
@pytest.mark.parametrize("mode", [0o400, 0o440])
def test_it_measures_and_stores_where_the_system_lets_users_ping(folder: Path, mode: int) -> None:
    # icmp(7): ping_group_range; systemd opens it to everybody since 245. systemd.exec(5), CREDENTIALS:
    # older versions hand files over as 0400, newer ones as 0440 with root as owner.
    # With the system calls that the unit lets through, and no others.
    hand_over(folder, mode)
    with begin(folder, "0 2147483647", launched(UNIT)) as agent:
        try:
            until_answered(agent)
            agent.terminate()
            _, told = agent.communicate(timeout=MOST_S)
        finally:
            agent.kill()
    assert agent.returncode == 0, told
    assert "2 sessions, metrics on" in told, told
    assert "Traceback" not in told
    file = folder / "desk.db"
    assert file.stat().st_uid == NOBODY
    with Store.open(file, read_only=True) as store:
        methods = {str(key.method) for key in store.sessions()}
    assert "echo" in methods


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become another user")
def test_it_says_in_one_line_what_right_it_lacks(folder: Path) -> None:
    hand_over(folder, 0o400)
    with begin(folder, "1 0") as agent:
        try:
            _, told = agent.communicate(timeout=MOST_S)
        finally:
            agent.kill()
    assert agent.returncode == 2, told
    (line,) = told.splitlines()
    assert "ping_group_range" in line
