"""What the daemon uses loads no numpy, and nothing else that it does not need."""

import subprocess
import sys

import pytest

LIGHT = (
    "call",
    "call_quality",
    "loss",
    "loss_pattern",
    "proportion",
    "rate",
    "responsiveness",
    "throughput",
)


@pytest.mark.slow
def test_the_daemons_measures_load_no_numpy() -> None:
    imports = "; ".join(f"import whichhop.stats.{name}" for name in LIGHT)
    code = f"import sys; {imports}; print([m for m in ('numpy', 'scipy', 'asyncio') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.slow
def test_the_verb_that_becomes_the_daemon_loads_nothing_heavy() -> None:
    """`run` stays as it is loaded for years; reading the home file here once cost every agent 22 MB."""
    heavy = "'pydantic', 'yaml', 'cryptography', 'numpy', 'prometheus_client', 'http.server', "
    heavy += "'html.entities', 'shutil', 'zoneinfo', 'lzma', 'statistics'"
    modules = "sys, whichhop.cli.agents.run, whichhop.daemon.run"
    code = f"import {modules}; print([m for m in ({heavy}) if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.slow
def test_the_comparer_beside_each_agent_loads_no_scipy() -> None:
    """Its import is a third of the comparer's start and 15 MB, on the machine of every agent that has one."""
    modules = "sys, whichhop.cli.answers.compare, whichhop.app.live.live_comparison"
    code = f"import {modules}; print([m for m in ('scipy', 'pypdf', 'typst') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
