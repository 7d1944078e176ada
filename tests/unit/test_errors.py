"""What goes wrong is told in printable lines, and not in a hundred thousand of them."""

from whichhop.errors import MOST_COMPLAINTS, Complaint, ConfigError, RemoteError


def complaint(number: int, problem: str = "unknown key") -> Complaint:
    return Complaint(file="home.yaml", line=number, key="x", problem=problem, remedy="remove it")


def test_an_error_quotes_escape_codes_without_obeying_them() -> None:
    assert str(RemoteError("desk says \x1b[2J\nand \udcff")) == "desk says \\x1b[2J\nand \\udcff"
    assert "\x1b" not in str(complaint(1, "\x1b[31m"))


def test_many_complaints_are_counted_after_the_first() -> None:
    lines = str(ConfigError([complaint(n) for n in range(1, 100_001)])).splitlines()
    assert len(lines) == MOST_COMPLAINTS + 1
    assert lines[0].startswith("home.yaml:1: x: ")
    assert lines[-1] == f"home.yaml: ... and {100_000 - MOST_COMPLAINTS} more; fix these first"


def test_few_complaints_are_all_told() -> None:
    assert (
        len(str(ConfigError([complaint(n) for n in range(MOST_COMPLAINTS)])).splitlines()) == MOST_COMPLAINTS
    )


def test_a_complaint_about_a_long_value_stays_a_line() -> None:
    assert len(str(complaint(1, "x" * 100_000))) < 600
