"""What a test needs of the machine: skipped with a reason where it is missing, but a failure in CI."""

import os
import shutil

import pytest


def need(there: bool, what: str) -> None:
    """Go on when `there`; else skip naming `what`, or fail where CI promised every real component."""
    if there:
        return
    if os.environ.get("CI") == "true":
        pytest.fail(f"CI must provide: {what}")
    pytest.skip(f"needs {what}")


def need_program(name: str) -> str:
    """The path of a program, looked for in the system's own folders too."""
    found = shutil.which(name, path=os.environ.get("PATH", "") + ":/usr/sbin:/sbin")
    need(found is not None, f"the program {name}")
    assert found is not None
    return found


def need_root() -> None:
    need(os.geteuid() == 0, "root, to make network namespaces")
