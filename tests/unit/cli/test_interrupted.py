"""Ctrl-C at any moment: one line or none, never a traceback, and the exit that convention has for it."""

import os
import signal
import subprocess
import sys

import pytest

from support.need import need

AS_IT_LOADS = """
import importlib.abc, os, runpy, signal, sys
class Interrupting(importlib.abc.MetaPathFinder):
    def find_spec(self, name, path=None, target=None):
        if name == {module!r}:
            os.kill(os.getpid(), signal.SIGINT)
sys.meta_path.insert(0, Interrupting())
sys.argv = ["whichhop", "home-file"]
runpy.run_module("whichhop", run_name="__main__", alter_sys=True)
"""


@pytest.mark.slow
@pytest.mark.parametrize(
    ("module", "code", "said"),
    [
        # Seen: 17 to 28 lines of traceback within the first half second.
        ("whichhop.cli", -signal.SIGINT, ""),
        ("whichhop.printable", -signal.SIGINT, ""),
        # from here on there may be something to put away
        ("whichhop.cli.beginning.home_file", 130, "interrupted\n"),
    ],
)
def test_ctrl_c_while_the_program_loads_is_no_traceback(module: str, code: int, said: str) -> None:
    need(os.name == "posix", "signals")
    done = subprocess.run(
        [sys.executable, "-c", AS_IT_LOADS.format(module=module)],
        env=os.environ | {"PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert (done.returncode, done.stderr) == (code, said)
