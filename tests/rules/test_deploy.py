"""The unit and the container give an agent what probing needs, and nothing else."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

from support.need import need, need_program
from support.system_calls import allowed_by, launched

DEPLOY = Path(__file__).parents[2] / "deploy"
UNIT = DEPLOY / "whichhop@.service"
MOST = 2.0
NEEDED = {
    "sendto",
    "recvmsg",
    "sendmmsg",
    "recvmmsg",
    "timerfd_settime",
    "clone",
    "clone3",
    "execve",
    "fdatasync",
}
TAKING_OVER = {
    *("mount", "pivot_root", "chroot", "setns", "unshare", "swapon", "reboot", "settimeofday"),
    *("ptrace", "process_vm_writev", "bpf", "perf_event_open", "userfaultfd", "io_uring_setup", "keyctl"),
    *("init_module", "kexec_load"),
}
"""Beside what a privilege guards anyway: calls in whose kernel code faults are found again and again (common
practice)."""
REFUSED = """
import os, socket
os.setpriority(os.PRIO_PROCESS, 0, 10)
socket.socket(socket.AF_INET, socket.SOCK_DGRAM).close()
for call in (lambda: os.chroot("/"), lambda: os.sched_setaffinity(0, {0}), lambda: os.setuid(0)):
    try:
        call()
    except PermissionError:
        print("refused")
"""


def test_the_unit_is_at_two_or_better_by_systemds_own_judgement() -> None:
    # systemd-analyze(1), "security": 0.0 (most closed) to 10.0; --offline judges the file alone
    done = subprocess.run(
        [need_program("systemd-analyze"), "security", "--offline=yes", str(UNIT)],
        capture_output=True,
        text=True,
        check=False,
    )
    found = re.search(r"Overall exposure level for \S+: (\d+\.\d)", done.stdout)
    need(found is not None, "systemd-analyze that judges files (250 or later)")
    assert found is not None
    assert float(found[1]) <= MOST, done.stdout


def test_the_unit_refuses_what_takes_a_machine_over_and_not_what_measuring_needs() -> None:
    # systemd.exec(5), SystemCallFilter=: sets named after what their calls are for
    allowed = allowed_by(UNIT)
    assert allowed >= NEEDED
    assert not allowed & TAKING_OVER
    # Refused, not killed: a library that tries something odd goes on without it, and so does the measuring.
    assert "SystemCallErrorNumber=EPERM" in UNIT.read_text()


@pytest.mark.slow
def test_the_units_calls_are_refused_by_the_kernel_itself_to_root_as_well() -> None:
    done = subprocess.run(
        [*launched(UNIT), sys.executable, "-c", REFUSED], capture_output=True, text=True, check=False
    )
    assert done.stdout.split() == ["refused"] * 3, done.stderr


def test_the_key_is_handed_over_and_never_read_from_its_place() -> None:
    text = UNIT.read_text()
    assert "LoadCredential=home.key:/etc/whichhop/home.key" in text
    (start,) = re.findall(r"^ExecStart=(.*)$", text, re.M)
    assert "--key %d/home.key" in start
    assert "/etc/whichhop/home.key" not in start


def test_the_container_runs_as_a_user_on_a_root_it_cannot_write() -> None:
    text = (DEPLOY / "Containerfile").read_text()
    users = re.findall(r"^USER (\S+)$", text, re.M)
    assert users == ["8620"]
    assert text.index("USER 8620") > text.index("RUN python3")
    said = " ".join(line.strip("#\\ ") for line in text.splitlines() if line.startswith("#"))
    for word in ("--read-only", "--cap-drop ALL", "--cap-add NET_RAW,NET_BIND_SERVICE", "mode=0400"):
        assert word in said
    (capabilities,) = re.findall(r"setcap (\S+)\+ep", text)
    assert set(capabilities.split(",")) == {"cap_net_raw", "cap_net_bind_service"}
