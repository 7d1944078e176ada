"""What every child process of ours runs first: it ends with whoever started it, then becomes its module.

`python -P -m whichhop.net.child_start PARENT MODULE WORDS...`. -P keeps the folder that the program was
started in out of the search for modules (PEP 706 names the flag; python, -P), so that a file there which is
called like a library is never executed.
"""

import os
import runpy
import signal
import sys

from whichhop.net.system import c_function

_PR_SET_PDEATHSIG = 1


def end_with_parent(parent: int) -> None:
    """Have the kernel kill this process when its parent goes (man prctl, 2); at once when it is gone."""
    prctl = c_function("prctl")  # Linux alone has it; elsewhere the pipes' end must do
    if prctl is not None:
        prctl(_PR_SET_PDEATHSIG, int(signal.SIGKILL), 0, 0, 0)
    if os.getppid() != parent:
        raise SystemExit(0)


def main() -> None:
    """Become the module that was asked for."""
    parent, module, *words = sys.argv[1:]
    end_with_parent(int(parent))
    sys.argv = [module, *words]
    runpy.run_module(module, run_name="__main__", alter_sys=True)


if __name__ == "__main__":
    main()
