"""The command line as a whole: every verb is there, helps itself, and fails in one line."""

import asyncio
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from support.probing import until
from whichhop.cli import VERBS, main
from whichhop.errors import INSTALL_COMPARER
from whichhop.lab.standard_home import HOME_FILE


@pytest.mark.parametrize("name", [name for name, _, _ in VERBS])
def test_every_verb_explains_itself_with_an_example(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main([name, "--help"])
    assert ended.value.code == 0
    assert "example" in capsys.readouterr().out


def test_the_package_runs_as_a_program_whose_help_names_every_verb() -> None:
    argv = [sys.executable, "-m", "whichhop", "--help"]
    done = subprocess.run(argv, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert {name for name, _, _ in VERBS} <= set(done.stdout.split())


def test_an_unknown_verb_is_refused_with_exit_code_two(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["blame"])
    assert ended.value.code == 2
    assert "invalid choice" in capsys.readouterr().err


def test_a_verb_that_needs_more_than_the_agent_carries_says_what_to_install() -> None:
    """In a process of its own: a module loaded twice is two modules to its tests."""
    program = (
        "import sys; sys.modules['numpy'] = None\n"
        "from whichhop.cli import main; sys.exit(main(['compare', 'alder.yaml']))"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert done.stderr.strip() == f"whichhop compare needs numpy: {INSTALL_COMPARER}"


def test_a_missing_home_file_is_one_line_with_exit_code_two(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "no-such-home.yaml"]) == 2
    (line,) = capsys.readouterr().err.strip().splitlines()
    assert line.startswith("no-such-home.yaml:1: ")


@pytest.mark.parametrize(("given", "taken"), [(None, 1), ("2", 2)])
def test_a_verb_computes_in_one_thread_unless_told_otherwise(given: str | None, taken: int) -> None:
    """Asked of the library that reads it, in a process of its own (numpy reads it once, when loaded)."""
    program = (
        "import sys; from whichhop.cli import main\n"
        "try: main(['--version'])\n"
        "except SystemExit: pass\n"
        "import numpy, threadpoolctl; print(max(p['num_threads'] for p in threadpoolctl.threadpool_info()))"
    )
    env = {k: v for k, v in os.environ.items() if not k.endswith("_NUM_THREADS")}
    env |= {} if given is None else {"OMP_NUM_THREADS": given}
    argv = [sys.executable, "-c", program]
    said = subprocess.run(argv, env=env, capture_output=True, text=True, check=True)
    assert int(said.stdout.split()[-1]) == min(taken, os.cpu_count() or 1)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("compare", "a.yaml", "--frm", "x"), "did you mean --from?"),
        (("homes",), "required: --prometheus; all its options"),
        (("transfer",), "required: HOME; all its options"),
        (("homes", "--promethus=http://192.0.2.1"), "required: --prometheus; did you mean --prometheus?"),
        (("compare", "a.yaml", "b.yaml"), "not understood: b.yaml"),
        (("compare",), "required: HOME"),
        (("note", "a.yaml", "--remove", "x"), "invalid int value: 'x'"),
        (("records", "exprt", "--store", "x"), "invalid choice: 'exprt'"),
        (("stat",), "did you mean 'status'?"),
        (("compare", "a.yaml", "--\x1b[31m"), "\\x1b[31m"),
    ],
)
def test_a_mistake_on_the_command_line_is_one_line(
    words: tuple[str, ...], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        main(words)
    assert ended.value.code == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert said in line


@pytest.mark.parametrize("verb", ["home-file", "check"])
@pytest.mark.parametrize("closed", [">&-", "<&- >&- 2>&-", ">/dev/full"])
def test_an_output_that_is_closed_or_full_is_no_traceback(verb: str, closed: str, tmp_path: Path) -> None:
    """POSIX: a shell's `>&-` closes it; Linux: /dev/full says of every write that the disk is full."""
    home = tmp_path / "home.yaml"
    home.write_text(HOME_FILE)
    words = f"{sys.executable} -m whichhop {verb} {home if verb == 'check' else ''} {closed}"
    done = subprocess.run(["/bin/sh", "-c", words], capture_output=True, text=True, check=False)
    if "full" in closed:
        assert done.returncode == 2
        (line,) = done.stderr.splitlines()
        assert line.startswith("standard output: cannot be written (No space left on device)")
    else:
        assert (done.returncode, done.stderr) == (0, "")


def test_what_is_ended_puts_away_what_it_had_begun(tmp_path: Path) -> None:
    """By the signal of `timeout`, a service and a shell's `kill`, while it waits for a pipe's writer."""
    home, records, passing = tmp_path / "home.yaml", tmp_path / "records", tmp_path / "passing"
    home.write_text(HOME_FILE)
    records.mkdir()
    passing.mkdir()
    os.mkfifo(records / "a.jsonl")
    words = [sys.executable, "-m", "whichhop", "compare", str(home), "--records", str(records)]
    with subprocess.Popen(words, env={**os.environ, "TMPDIR": str(passing)}) as process:
        asyncio.run(until(lambda: any(passing.glob("*/records.db")), seconds=60))
        process.terminate()
        assert process.wait(30) == 128 + signal.SIGTERM
    assert not list(passing.iterdir())
