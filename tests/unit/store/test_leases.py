"""The budget's table: what was granted is on the disk before it is told, and survives kill -9."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from msgspec.structs import replace

from whichhop.model.transfer import Lease
from whichhop.store.small_tables import KEPT_NS
from whichhop.store.store import Store

# Grants one lease after another and says so, until it is killed.
GRANTER = """
import sys
from pathlib import Path
from whichhop.daemon.transfer.lease import Ledger
from whichhop.store.store import Store
store = Store.open(Path(sys.argv[1]))
ledger = Ledger(store.leases())
for n in range(100):
    lease = ledger.grant(
        number=f"{sys.argv[2]}-{n}", who="w", day="2026-03-01", seconds=1, octets=300_000, budget=10_000_000,
        now_ns=(int(sys.argv[2]) * 100 + n) * 10**10)
    if isinstance(lease, str):
        print("over", flush=True)
        break
    store.put_leases([lease])
    ledger.put(lease)
    print(lease.octets, flush=True)
"""


@pytest.mark.slow
def test_ten_megabytes_are_never_exceeded_across_kill_9(tmp_path: Path) -> None:
    granted = 0
    for turn in range(8):
        with subprocess.Popen(
            [sys.executable, "-c", GRANTER, str(tmp_path / "s.db"), str(turn)],
            stdout=subprocess.PIPE,
            text=True,
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
    with Store.open(tmp_path / "s.db") as store:
        assert granted <= sum(one.charged for one in store.leases()) <= 10_000_000


def test_a_lease_is_replaced_when_it_is_returned_and_days_long_past_go(tmp_path: Path) -> None:
    old = Lease(number="a", who="desk to attic", day="2026-03-01", until_ns=5, octets=100)
    new = replace(old, number="b", day="2026-03-09", until_ns=5 + KEPT_NS)
    with Store.open(tmp_path / "s.db") as store:
        store.put_leases([old])
        store.put_leases([replace(old, used=40)])
        assert store.leases() == [replace(old, used=40)]
        store.put_leases([new])
        assert store.leases() == [replace(old, used=40), new]
        store.put_leases([replace(new, until_ns=new.until_ns + 1)])
        assert [one.number for one in store.leases()] == ["b"]
