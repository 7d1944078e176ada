"""Whatever happens to the store's file, measuring goes on, and a kill costs a minute at most."""

import contextlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from support.loopback_home import CLOCK, LoopbackHome
from whichhop.model.units import NS_PER_S
from whichhop.net.clock import sleep_s
from whichhop.store.store import Store

pytestmark = [pytest.mark.slow, pytest.mark.waits]


@pytest.fixture
def home(tmp_path: Path) -> Iterator[LoopbackHome]:
    made = LoopbackHome(tmp_path)
    yield made
    made.end()


def samples(path: Path) -> list[int]:
    """When the packets kept in a store were sent, UTC ns; its chains hold."""
    with Store.open(path, read_only=True) as store:
        assert all(not report.trouble for report in store.verify())
        return sorted(
            at for k in store.sessions() for r in store.session_records(k) for at in r.samples.sent_ns
        )


def test_a_store_removed_while_running_is_told_and_begun_anew(home: LoopbackHome) -> None:
    home.start("desk")
    home.measures_on()
    for part in ("", "-wal", "-shm"):
        with contextlib.suppress(FileNotFoundError):
            Path(f"{home.store('desk')}{part}").unlink()
    # Written to at the latest when the open minutes are, each half minute.
    home.wait_for("desk", "was removed while in use", 75)
    assert "was removed while in use" in home.health()["store"]
    assert home.health()["status"] == "ok"
    assert home.stop("desk") == 0
    assert len(samples(home.store("desk"))) >= 2
    assert home.log("desk").count("was removed while in use") == 1


@pytest.mark.parametrize("share", [0.3, 0.9])
def test_a_store_cut_short_is_moved_aside_at_the_start(home: LoopbackHome, share: float) -> None:
    home.start("desk")
    home.measures_on()
    assert home.stop("desk") == 0
    whole = home.store("desk").read_bytes()
    home.store("desk").write_bytes(whole[: int(len(whole) * share)])
    home.start("desk")
    assert "a new store was begun" in home.log("desk")
    assert "damaged" in home.health()["store"]
    home.measures_on()
    assert home.stop("desk") == 0
    assert len(samples(home.store("desk"))) >= 2
    (aside,) = home.folder.glob("desk.db.damaged-*Z")
    assert aside.read_bytes() == whole[: int(len(whole) * share)]


def test_a_kill_costs_no_more_than_the_time_since_the_last_draft(home: LoopbackHome) -> None:
    # As shipped a draft is written each 30 s; 2 s here, so that the test does not take minutes.
    code = "import whichhop.daemon.assembly as a; a.DRAFT_S = 2.0"
    lives: list[tuple[int, int]] = []
    for _ in range(3):
        home.start("desk", code=code)
        begun = CLOCK.utc_ns()
        sleep_s(17)
        home.kill("desk")
        lives.append((begun, CLOCK.utc_ns()))
    home.start("desk", code=code)
    assert home.stop("desk") == 0
    kept = samples(home.store("desk"))
    for begun, ended in lives:
        mine = [at for at in kept if begun - NS_PER_S <= at <= ended]
        # 8 s until a packet's fate is known (daemon/minutes.py), 2 s to the draft, and time to write it, with
        # other tests beside; without a draft nothing of a life is kept at all
        assert max(mine) > ended - 15 * NS_PER_S, (ended - max(mine)) / NS_PER_S
        assert min(mine) < begun + 2 * NS_PER_S
    assert len(kept) == len(set(kept)) or max(kept.count(at) for at in set(kept)) <= 2
