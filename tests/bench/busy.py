"""Keeps every core busy with pure computing, as own traffic or other programs would."""

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def busy_cores() -> Iterator[None]:
    """One endless loop for each core."""
    loops = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(os.cpu_count() or 1)]
    try:
        yield
    finally:
        for loop in loops:
            loop.kill()
            loop.wait()
