"""Gets the home and its keys from a short child process, so that a broken file never harms the daemon."""

import subprocess
import sys
from pathlib import Path

import msgspec

from whichhop.errors import SystemRefusedError, WhichhopError
from whichhop.model.handover import Handover

CHILD_S = 30.0


class HandoverError(WhichhopError):
    """The home file or the key is wrong; the text is the child's own complaints."""


def get_handover(home_file: Path, key_file: Path | None) -> Handover:
    """A checked home with its keys; HandoverError with the complaints, each a line, when there is none."""
    words = [str(home_file), *([str(key_file)] if key_file else [])]
    try:
        done = subprocess.run(  # noqa: S603 - our own module, by our own interpreter
            [sys.executable, "-m", "whichhop.config.handover", *words],
            capture_output=True,
            check=False,
            timeout=CHILD_S,
        )
    except (OSError, subprocess.TimeoutExpired) as trouble:
        raise SystemRefusedError(f"the home file's reader could not be run: {trouble}") from trouble
    if done.returncode != 0:
        raise HandoverError(done.stderr.decode(errors="replace").strip())
    return msgspec.json.decode(done.stdout, type=Handover)
