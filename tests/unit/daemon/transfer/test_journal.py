"""The budget's journal: what was granted is on the disk before it is told, and survives kill -9."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from whichhop.daemon.transfer.journal import Journal
from whichhop.errors import StoreError

# Grants one lease after another and says so, until it is killed.
GRANTER = """
import sys
from pathlib import Path
from whichhop.daemon.transfer.journal import Journal
journal = Journal(Path(sys.argv[1]), "2026-03-01")
for n in range(10_000):
    lease = journal.ledger.grant(
        number=f"{sys.argv[2]}-{n}", who="w", day="2026-03-01", seconds=1, octets=300_000, budget=10_000_000,
        now_ns=(int(sys.argv[2]) * 10_000 + n) * 10**10)
    if isinstance(lease, str):
        print("over", flush=True)
        break
    journal.write(lease.line())
    print(lease.octets, flush=True)
"""


@pytest.mark.slow
def test_ten_megabytes_are_never_exceeded_across_kill_9(tmp_path: Path) -> None:
    granted = 0
    for turn in range(8):
        with subprocess.Popen(
            [sys.executable, "-c", GRANTER, str(tmp_path / "j"), str(turn)], stdout=subprocess.PIPE, text=True
        ) as granter:
            assert granter.stdout is not None
            for _ in range(7):
                word = granter.stdout.readline().strip()
                if word == "over":
                    break
                granted += int(word)
            os.kill(granter.pid, signal.SIGKILL)
            # What it told before it died counts too: a holder may have begun to send on the strength of it.
            granted += sum(int(w) for w in granter.stdout.read().split() if w != "over")
    assert 5_000_000 < granted <= 10_000_000
    journal = Journal(tmp_path / "j", "2026-03-01")
    assert granted <= journal.ledger.spent("2026-03-01") <= 10_000_000
    journal.close()


def test_a_torn_last_line_is_passed_over(tmp_path: Path) -> None:
    path = tmp_path / "j"
    good = '{"lease": "a", "who": "w", "day": "2026-03-01", "until_ns": 5, "octets": 100}\n'
    path.write_text(good + '{"lease": "b", "who": "w", "da')
    journal = Journal(path, "2026-03-01")
    assert journal.ledger.spent("2026-03-01") == 100
    journal.write({"lease": "a", "used": 40})
    journal.close()
    again = Journal(path, "2026-03-01")
    assert again.ledger.spent("2026-03-01") == 40
    again.close()


def test_a_folder_that_is_not_there_is_one_clear_line(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="no transfer starts until it can"):
        Journal(tmp_path / "none" / "j", "2026-03-01")
