"""An agent without what only Linux has: it measures all the same, and says what it lacks.

Simulated: Linux' own calls, options and names are taken away (support.other_system).
"""

from pathlib import Path

import pytest

from support.loopback_home import LoopbackHome
from whichhop.net.clock import sleep_s
from whichhop.store.store import Store

pytestmark = [pytest.mark.slow, pytest.mark.waits]
BECOME = f"sys.path.insert(0, {str(Path(__file__).parents[1])!r})\nfrom support.other_system import become\n"


def test_without_linux_own_calls_packets_are_answered_and_timed_by_the_program(tmp_path: Path) -> None:
    home = LoopbackHome(tmp_path)
    try:
        home.start("attic")
        home.start("desk", code=BECOME + "become('darwin')")
        log = home.log("desk")
        assert "on macOS packets are timed by this program" in log
        assert "no transfers are measured" in log
        sleep_s(18)
    finally:
        for process in home.running.values():
            process.terminate()
        codes = [process.wait(20) for process in home.running.values()]
    assert codes == [0, 0], home.log("desk")
    with Store.open(home.store("desk")) as store:
        found = {
            str(key): list(store.session_records(key))
            for key in store.sessions()
            if key.agent == "desk" and key.target == "attic"
        }
    (records,) = found.values()
    answered = sum(1 for r in records for s in r.samples if s.rtt_ns is not None)
    assert answered >= 5, home.log("desk")
    assert {r.stamps for r in records} <= {"", "T2 T3"}, "no stamp of our own is called the kernel's"
    assert "Traceback" not in home.log("desk")
