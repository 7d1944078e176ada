"""Import contracts hold files that nobody has written yet: new ones break each wall in a copy, and show."""

import re
import shutil
import subprocess
import sys
import tomllib
from configparser import ConfigParser
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]
CONTRACTS = TOP / ".importlinter"

# A new file's room, a line it must not have, and the wall that says so. No contract lists any of these files.
SNEAKS = (
    ("wire", "import asyncio", "Only rooms that touch the world"),
    ("stats", "from random import random", "Only rooms that touch the world"),
    ("compare", "from whichhop.net import clock", "Only rooms that touch the world"),
    ("report", "from whichhop.claim import charts", "What the judging rooms read"),
    ("advice", "from whichhop.store import read", "What the judging rooms read"),
    ("cabling", "from whichhop.wire import stamp", "What the judging rooms read"),
    ("serve", "import yaml", "Every outside library has its doors"),
    ("store", "import sqlite3", "Every outside library has its doors"),
    ("net", "from time import monotonic_ns", "Every outside library has its doors"),
    ("net", "import icmplib", "Every outside library has its doors"),
    ("probes", "from pysnmp import hlapi", "Every outside library has its doors"),
    ("lab", "import numpy", "Only rooms that judge"),
    ("daemon", "from whichhop.stats import interval", "Nothing heavy in what the daemon loads"),
    ("model", "from whichhop.stats import loss", "Rooms are stacked one way"),
    ("app", "from whichhop.compare.inference import scan", "How the comparer reasons"),
)
EVERYWHERE = {"msgspec", "tzdata"}
"""Needs no door: a plain reader of JSON, and data without a line of code."""


@pytest.mark.slow
def test_a_new_file_stands_behind_every_wall_without_a_line_in_the_contracts(tmp_path: Path) -> None:
    package = tmp_path / "whichhop"
    shutil.copytree(TOP / "agent" / "whichhop", package, ignore=shutil.ignore_patterns("__pycache__"))
    for number, (room, line, _) in enumerate(SNEAKS):
        (package / room / f"sneak_{number}.py").write_text(f'"""Not allowed."""\n\n{line}\n')
    linter = Path(sys.executable).with_name("lint-imports")
    done = subprocess.run(
        [linter, "--no-logo", "--no-cache", CONTRACTS],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 1, done.stdout + done.stderr
    broken = done.stdout.partition("Broken contracts")[2]
    titled = re.split(r"^(\S.*)\n-{9,}$", broken, flags=re.M)
    sections = dict(zip(titled[1::2], titled[2::2], strict=True))
    for number, (room, line, wall) in enumerate(SNEAKS):
        said = "".join(text for title, text in sections.items() if title.startswith(wall))
        assert f"whichhop.{room}.sneak_{number}" in said, f"{line} in {room} passed {wall!r}:\n{broken}"
    # Nothing else is named: the walls stand in the package as it is.
    named = set(re.findall(r"whichhop\.\w+(?:\.\w+)* is not allowed", broken))
    assert named <= {f"whichhop.{room} is not allowed" for room, _, _ in SNEAKS} | {
        "whichhop is not allowed"
    }, broken


def test_every_library_that_the_package_needs_has_a_door() -> None:
    project = tomllib.loads((TOP / "pyproject.toml").read_text())["project"]
    lines = [*project["dependencies"], *project["optional-dependencies"]["compare"]]
    needed = {re.split(r"[<>=\[ ]", line)[0].lower().replace("_", "-") for line in lines} - EVERYWHERE
    contracts = ConfigParser()
    contracts.read(CONTRACTS)
    held = {
        module
        for wall in ("doors", "arrays")
        for module in contracts[f"importlinter:contract:{wall}"]["forbidden_modules"].split()
    }
    behind = {
        dist.lower().replace("_", "-")
        for module, dists in packages_distributions().items()
        for dist in dists
        if module in held
    }
    assert not needed - behind
