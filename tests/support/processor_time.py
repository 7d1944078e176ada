"""What each test file takes of the processors: `tests/run --processor-time PATHS` prints it at the end.

By the wall a test that waits looks as dear as one that computes; where all processors are busy only these
seconds count. Programs that a test starts are counted once somebody has waited for them.
"""

import resource
from collections import defaultdict
from collections.abc import Generator

import pytest

MOST_SHOWN = 40
_WHO = (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)


class Spent:
    """`so_far`: what this process and its children had taken when a test's last phase ended, seconds."""

    def __init__(self) -> None:
        self.so_far = self._now()
        self.of_files: dict[str, list[float]] = defaultdict(lambda: [0.0, 0.0])

    @staticmethod
    def _now() -> list[float]:
        return [used.ru_utime + used.ru_stime for used in map(resource.getrusage, _WHO)]

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_makereport(self) -> Generator[None, pytest.TestReport, pytest.TestReport]:
        """With several processes it is a report's own values that reach the one that prints."""
        report = yield
        before, self.so_far = self.so_far, self._now()
        vars(report)["spent_s"] = [now - then for now, then in zip(self.so_far, before, strict=True)]
        return report

    def pytest_runtestloop(self) -> None:
        self.so_far = self._now()  # what loading and collecting took is no test's

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        of_file = self.of_files[report.nodeid.partition("::")[0]]
        for place, seconds in enumerate(vars(report)["spent_s"]):
            of_file[place] += seconds

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        whole = [sum(spent) for spent in zip(*self.of_files.values(), strict=True)]
        told = sorted(self.of_files.items(), key=lambda one: -sum(one[1]))[:MOST_SHOWN]
        terminalreporter.section("seconds of processor: a file's tests, the programs that they started")
        for name, (own, children) in (*told, ("all", whole or [0.0, 0.0])):
            terminalreporter.write_line(f"{own:8.1f} {children:8.1f}  {name}")
