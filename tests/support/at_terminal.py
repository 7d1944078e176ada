"""A program at a terminal of its own, with somebody who waits for each question before they answer it."""

import os
import pty
import select
import subprocess
from collections.abc import Sequence

SILENT_S = 60.0
"""Longer than any of our programs says nothing."""


def at_terminal(argv: Sequence[str], answers: Sequence[tuple[str, str]]) -> tuple[int, str]:
    """Exit code, and all that the screen showed. answers: words of a question, and what is typed then."""
    ours, theirs = pty.openpty()
    screen, left = "", list(answers)
    with subprocess.Popen(
        argv, stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True
    ) as program:
        os.close(theirs)
        since = 0
        while True:
            if not select.select([ours], (), (), SILENT_S)[0]:
                program.kill()  # it waits for an answer that nobody has
                break
            try:
                octets = os.read(ours, 4096)
            except OSError:  # EIO: nobody holds the other end any more
                break
            screen += octets.decode(errors="replace").replace("\r\n", "\n")
            while left and left[0][0] in screen[since:]:
                since = len(screen)
                os.write(ours, (left.pop(0)[1] + "\n").encode())
        os.close(ours)
        code = program.wait(30)
    assert not left, (left, screen)
    return code, screen
