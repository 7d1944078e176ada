"""Who waits for a long answer at a terminal hears that it goes on; a pipe and a log hear nothing."""

import re
from contextlib import suppress

import pytest

from whichhop.cli import collecting
from whichhop.net.clock import sleep_s


@pytest.mark.parametrize("terminal", [True, False])
def test_long_work_is_not_silent_on_a_terminal_and_is_elsewhere(
    terminal: bool, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(collecting, "EVERY_S", 0.01)
    monkeypatch.setattr("sys.stderr.isatty", lambda: terminal)
    with suppress(ZeroDivisionError), collecting.still_at_work():
        sleep_s(0.2)
        raise ZeroDivisionError
    told = capsys.readouterr().err.splitlines()
    assert bool(told) == terminal
    assert all(re.fullmatch(r"still reading and judging, \d+ s so far", line) for line in told)
    sleep_s(0.05)
    assert not capsys.readouterr().err  # it ends with the work, however that ended
