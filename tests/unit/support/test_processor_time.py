"""The table of what test files compute holds what each program says of itself."""

import subprocess
import sys

import pytest

from support.processor_time import Spent

COMPUTES = "import time\nwhile time.process_time() < 0.3: pass\nprint(time.process_time())"


def test_what_a_started_program_computes_is_its_test_files() -> None:
    spent = Spent()
    phase = spent.pytest_runtest_makereport()
    next(phase)
    told = subprocess.run([sys.executable, "-c", COMPUTES], capture_output=True, text=True, check=True).stdout
    report = pytest.TestReport("tests/one.py::test_it", ("", 0, ""), {}, "passed", None, "call")
    with pytest.raises(StopIteration):
        phase.send(report)
    spent.pytest_runtest_logreport(report)
    own, children = spent.of_files["tests/one.py"]
    # The kernel goes on counting while it puts the program away: some milliseconds, on a busy machine more.
    assert float(told) <= children + 0.02
    assert children < float(told) + 0.3
    assert own < 0.3
