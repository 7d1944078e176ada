"""An alarm wakes once, at its time, whichever way the system lets it wake."""

import asyncio

import pytest

from whichhop.model.units import MonoNs
from whichhop.net.clock import SystemClock
from whichhop.net.timer import Alarm, open_alarm

MS = 1_000_000
CLOCK = SystemClock()


def now() -> int:
    return CLOCK.mono_ns()


async def _wakes(
    precise: bool, due_in_ns: list[int], moved: bool = False
) -> tuple[Alarm, list[int], list[int]]:
    loop = asyncio.get_running_loop()
    woken: list[int] = []
    asked: list[int] = []
    done = asyncio.Event()

    def wake(due: MonoNs) -> None:
        woken.append(now() - due)
        if len(woken) < len(due_in_ns):
            step()
        else:
            done.set()

    alarm = open_alarm(loop, wake, precise=precise)

    def step() -> None:
        due = MonoNs(now() + due_in_ns[len(asked)])
        asked.append(due)
        if moved:
            alarm.set(MonoNs(now() + 1000 * MS))
        alarm.set(due)

    step()
    await asyncio.wait_for(done.wait(), 5)
    await asyncio.sleep(0.005)
    alarm.close()
    alarm.close()
    return alarm, asked, woken


@pytest.mark.parametrize("precise", [True, False])
def test_an_alarm_never_wakes_early_and_wakes_once_a_setting(precise: bool) -> None:
    alarm, asked, woken = asyncio.run(_wakes(precise, [2 * MS, 3 * MS, 1 * MS]))
    assert alarm.precise is precise
    assert len(woken) == len(asked)
    # call_at may wake up to the clock's resolution early (asyncio documentation); 1 ms is generous
    assert min(woken) >= (0 if precise else -MS)


@pytest.mark.parametrize("precise", [True, False])
def test_a_time_that_has_passed_wakes_at_once(precise: bool) -> None:
    _alarm, _asked, woken = asyncio.run(_wakes(precise, [-5 * MS]))
    assert 0 <= woken[0] < 1000 * MS


@pytest.mark.parametrize("precise", [True, False])
def test_setting_an_alarm_again_moves_it(precise: bool) -> None:
    _alarm, _asked, woken = asyncio.run(_wakes(precise, [2 * MS], moved=True))
    assert woken[0] < 900 * MS
