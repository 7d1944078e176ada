"""What an option writes takes the place of nothing that the command reads, and comes whole or not at all."""

import os
from contextlib import suppress
from pathlib import Path

import pytest

from whichhop.cli import main
from whichhop.config.files import WriteError, output_file, write_output
from whichhop.config.keys import create_key
from whichhop.lab.standard_home import HOME_FILE
from whichhop.store.store import Store

OPTIONS = ("--html", "--pdf", "--csv", "--json", "--letter", "--phone", "--summary")


@pytest.fixture
def home(tmp_path: Path) -> Path:
    path = tmp_path / "alder.yaml"
    path.write_text(HOME_FILE)
    create_key(tmp_path / "alder.key")
    with Store.open(tmp_path / "s.db"):
        pass
    return path


@pytest.mark.parametrize("option", OPTIONS)
@pytest.mark.parametrize("over", ["alder.yaml", "alder.key", "s.db", "linked.html"])
def test_no_report_takes_the_place_of_home_key_or_store(
    option: str, over: str, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (home.parent / "linked.html").symlink_to(home)
    place = home.parent / over
    if option in ("--letter", "--phone", "--summary"):  # their names end as a page's or a PDF's
        place = home.parent / "x.html"
        place.hardlink_to((home.parent / over).resolve())
    before = {p.name: p.read_bytes() for p in home.parent.iterdir()}
    words = ["evidence", str(home), "--offline", "--store", str(home.parent / "s.db"), option, str(place)]
    assert main(words) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith(f"{option} {place}: ")
    assert line.endswith("; name another file")
    assert {p.name: p.read_bytes() for p in home.parent.iterdir()} == before


def test_two_outputs_are_two_files(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    one = str(home.parent / "x")
    words = ["evidence", str(home), "--offline", "--html", one, "--csv", f"{home.parent}/./x"]
    assert main(words) == 2
    assert "is --html too" in capsys.readouterr().err


def test_a_walks_drawing_is_no_home_file(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["survey", str(home), "--list", "--svg", str(home)]) == 2
    assert "is the home file too" in capsys.readouterr().err
    assert home.read_text() == HOME_FILE


def test_what_is_cut_short_leaves_the_old_file_and_nothing_beside_it(tmp_path: Path) -> None:
    old = tmp_path / "report.html"
    old.write_text("old")
    old.chmod(0o640)
    with suppress(KeyboardInterrupt), output_file(old) as file:
        file.write(b"half")
        raise KeyboardInterrupt
    assert old.read_text() == "old"
    write_output(old, b"new")
    assert (old.read_text(), old.stat().st_mode & 0o777) == ("new", 0o640)
    write_output(tmp_path / "secret.csv", b"x", 0o600)
    assert (tmp_path / "secret.csv").stat().st_mode & 0o777 == 0o600
    assert {p.name for p in tmp_path.iterdir()} == {"report.html", "secret.csv"}


def test_devices_and_pipes_are_written_to_and_not_replaced(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    write_output(pipe, b"through")
    assert os.read(reader, 100) == b"through"
    os.close(reader)
    write_output(Path("/dev/null"), b"gone")
    assert not Path("/dev/null").is_file()


@pytest.mark.parametrize(
    ("place", "remedy"),
    [
        ("", "name a file"),
        ("no/x", "make the folder"),
        ("a\0b", "no name of a file"),
        ("n" * 300, "name a file"),
    ],
)
def test_what_cannot_be_written_is_one_line_with_a_remedy(place: str, remedy: str, tmp_path: Path) -> None:
    with pytest.raises(WriteError, match=remedy) as told:
        write_output(tmp_path / place, b"x")
    assert len(str(told.value).splitlines()) == 1


def test_a_full_disk_is_told_with_its_remedy() -> None:
    """Linux: /dev/full says of every write that the disk is full."""
    with pytest.raises(WriteError, match=r"No space left on device.*free some space"):
        write_output(Path("/dev/full"), b"x")
