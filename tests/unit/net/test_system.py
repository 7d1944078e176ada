"""Each system's answers, simulated: what an agent may use there, and what it says that it does without.

None of this was run on macOS or Windows: what they lack is taken from Python's documentation.
"""

import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from whichhop.cli import VERBS
from whichhop.net.system import HERE, Name, Offers, error_numbers, offers

TESTS = Path(__file__).parents[2]


def simulated(platform: str) -> Offers:
    """The facts of a system whose Python has what the documentation says."""
    linux, windows = platform == "linux", platform == "win32"
    sock = SimpleNamespace(**({} if windows else {"recvmsg": None}))
    sockets = SimpleNamespace(socket=sock, **({"AF_UNIX": 1, "MSG_DONTWAIT": 64} if not windows else {}))
    if linux:
        sockets.MSG_ERRQUEUE, sockets.AF_NETLINK = 0x2000, 16
    return offers(
        platform,
        sockets=sockets,
        files=SimpleNamespace(**({"memfd_create": None} if linux else {})),
        polls=SimpleNamespace(**({} if windows else {"poll": None})),
    )


def test_linux_lacks_nothing_and_this_system_is_one() -> None:
    found = simulated("linux")
    assert found.name is Name.LINUX
    assert found.words == []
    assert found.error_queue == 0x2040
    if sys.platform.startswith("linux"):
        assert HERE.kernel_stamps
        assert HERE.tables


@pytest.mark.parametrize(
    ("platform", "name", "services", "ping"),
    [
        ("darwin", Name.MACOS, "launchd", True),
        ("win32", Name.WINDOWS, "Task Scheduler", False),
        ("freebsd14", Name.OTHER, "own means", False),
    ],
)
def test_elsewhere_nothing_of_linux_is_tried_and_each_lack_is_a_sentence(
    platform: str, name: Name, services: str, ping: bool
) -> None:
    found = simulated(platform)
    assert found.name is name
    assert not any((found.kernel_stamps, found.error_queue, found.packet_header, found.tables))
    assert found.ping_socket is ping
    assert any("timed by this program" in words for words in found.words)
    assert any(services in words for words in found.words)
    assert any("tcp_port" in words for words in found.words) is not ping
    assert found.hang_up is (platform != "win32")


def test_errors_that_a_system_does_not_know_are_left_out() -> None:
    assert error_numbers("ECONNREFUSED", "ENOSUCHERROR") == error_numbers("ECONNREFUSED") != frozenset()


@pytest.mark.slow
@pytest.mark.parametrize("platform", ["darwin", "win32"])
def test_an_agent_and_the_verbs_of_a_user_are_loaded_where_linux_is_not(platform: str) -> None:
    modules = [
        "daemon.run",
        "daemon.assembly",
        "probes.kinds.icmp_echo",
        "probes.kinds.stamp_sender",
        "probes.kinds.stamp_reflector",
        "probes.kinds.tcp_connect",
        "probes.kinds.dns_lookup",
        "probes.levels_child",
        "probes.counters_child",
        "probes.http_child",
        "probes.transfer_child",
        "config.handover",
        "net.child_start",
        *(
            f"cli.{module}"
            for verb, module, _ in VERBS
            if verb in ("start", "run", "check", "setup", "status", "compare", "route", "service")
        ),
    ]
    code = f"from support.other_system import become; become({platform!r})\nimport importlib\n" + "".join(
        f"importlib.import_module('whichhop.{m}')\n" for m in modules
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=TESTS
    )
    assert done.returncode == 0, done.stderr
