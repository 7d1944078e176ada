"""Makes programs look starved: stops their process groups for part of every second, until it is ended.

Started beside all nodes as `python -m whichhop.lab.build.starve STOPPED_S PID...`.
"""

import contextlib
import os
import signal
import sys

from whichhop.net.clock import sleep_s


def tell(pids: list[int], number: int) -> None:
    """Signal every group; one that has ended meanwhile is no trouble."""
    for pid in pids:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(pid, number)


def main() -> int:
    """Stop and go on, second by second; SIGTERM ends it with everything going."""
    stopped_s, pids = float(sys.argv[1]), [int(word) for word in sys.argv[2:]]
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    try:
        while True:
            tell(pids, signal.SIGSTOP)
            sleep_s(stopped_s)
            tell(pids, signal.SIGCONT)
            sleep_s(1 - stopped_s)
    finally:
        tell(pids, signal.SIGCONT)


if __name__ == "__main__":
    raise SystemExit(main())
