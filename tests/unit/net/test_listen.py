import os
import socket
import subprocess
import sys

import pytest

from support.need import need
from whichhop.errors import SystemRefusedError
from whichhop.net.listen import listening_socket


def test_a_listening_socket_takes_connections() -> None:
    with listening_socket("127.0.0.1", 0, setting="ports.api") as listener:
        socket.create_connection(listener.getsockname(), timeout=5).close()


def test_ipv6_loopback_works_too() -> None:
    need(socket.has_ipv6 and os.path.exists("/proc/net/if_inet6"), "IPv6")  # noqa: PTH110
    with listening_socket("::1", 0, setting="ports.api") as listener:
        assert listener.getsockname()[0] == "::1"


def test_a_taken_port_and_a_strange_address_are_one_line_each() -> None:
    with listening_socket("127.0.0.1", 0, setting="ports.api") as listener:
        port = listener.getsockname()[1]
        with pytest.raises(
            SystemRefusedError, match=f"127.0.0.1:{port}: the port is taken.*change ports.api"
        ):
            listening_socket("127.0.0.1", port, setting="ports.api")
    with pytest.raises(SystemRefusedError, match=r"203\.0\.113\.9:0: this machine has no such address"):
        listening_socket("203.0.113.9", 0, setting="ports.api")


def test_a_low_port_without_the_right_is_told_with_the_remedy() -> None:
    need(os.geteuid() == 0, "root, to give it up")
    code = (
        "import os; from whichhop.net.listen import listening_socket\n"
        "os.setgid(65534); os.setuid(65534)\n"
        "try: listening_socket('127.0.0.1', 81, setting='ports.api'); print('allowed')\n"
        "except Exception as e: print(type(e).__name__, e)\n"
    )
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    need(said != "allowed\n", "a kernel that keeps low ports for root")
    assert said.startswith("SystemRefusedError 127.0.0.1:81: listening is not allowed; set ports.api")
