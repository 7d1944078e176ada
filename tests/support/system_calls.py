"""The system calls that a unit lets through, and a program run with no others, as systemd would run it."""

import re
import subprocess
import sys
from pathlib import Path

from support.need import need, need_program

HEADER = Path("/usr/include/x86_64-linux-gnu/asm/unistd_64.h")
LAUNCH = """\
import ctypes, os, struct, sys
ALLOW, REFUSE = 0x7FFF0000, 0x00050000 | 1  # linux/seccomp.h: SECCOMP_RET_ALLOW, SECCOMP_RET_ERRNO with EPERM
split = sys.argv.index("--")
steps = [(0x20, 0, 0, 0)]  # linux/filter.h: load the call's number, compare it with each that is allowed
for number in map(int, sys.argv[1:split]):
    steps += [(0x15, 0, 1, number), (0x06, 0, 0, ALLOW)]
steps.append((0x06, 0, 0, REFUSE))
code = ctypes.create_string_buffer(b"".join(struct.pack("=HBBI", *step) for step in steps))
program = struct.pack("@HP", len(steps), ctypes.addressof(code))
libc = ctypes.CDLL(None, use_errno=True)
for words in ((38, 1, 0, 0, 0), (22, 2, ctypes.c_char_p(program))):  # PR_SET_NO_NEW_PRIVS, PR_SET_SECCOMP
    if libc.prctl(*words):
        raise OSError(ctypes.get_errno(), "prctl")
command = sys.argv[split + 1 :]
os.execv(command[0], command)
"""


def _group(name: str) -> set[str]:
    """The calls of a set of systemd's, sets within it unfolded (systemd-analyze(1), syscall-filter)."""
    done = subprocess.run(
        [need_program("systemd-analyze"), "syscall-filter", name], capture_output=True, text=True, check=False
    )
    need(done.returncode == 0, f"systemd-analyze that knows {name}")
    words = {w for line in done.stdout.splitlines()[1:] if (w := line.strip()) and not w.startswith("#")}
    return set().union(*(_group(w) if w.startswith("@") else {w} for w in words))


def allowed_by(unit: Path) -> set[str]:
    """systemd.exec(5), SystemCallFilter=: lines in their order, one that begins with ~ takes away."""
    allowed: set[str] = set()
    for line in re.findall(r"^SystemCallFilter=(.*)$", unit.read_text(), re.M):
        calls = set().union(*(_group(w) if w.startswith("@") else {w} for w in line.lstrip("~").split()))
        allowed = allowed - calls if line.startswith("~") else allowed | calls
    return allowed


def launched(unit: Path) -> list[str]:
    """What to put before a command, an interpreter and its words, to run it with these calls alone."""
    need(HEADER.exists(), f"the kernel's numbers of system calls, {HEADER}")
    numbers = dict(re.findall(r"^#define __NR_(\w+) (\d+)$", HEADER.read_text(), re.M))
    known = sorted(int(numbers[name]) for name in allowed_by(unit) if name in numbers)
    return [sys.executable, "-c", LAUNCH, *map(str, known), "--"]
