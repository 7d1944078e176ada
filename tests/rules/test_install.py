"""The package is built, gathered and installed as README.md says, without network where it says so."""

import os
import re
import shutil
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

from support.need import need, need_program
from support.registry import ask_registry
from whichhop import __version__

TOP = Path(__file__).parents[2]
BUNDLE = TOP / "deploy" / "bundle"
pytestmark = pytest.mark.slow


def done(argv: list[str | Path], **more: object) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(argv, capture_output=True, text=True, check=False, **more)  # type: ignore[call-overload,no-any-return]


def without_network() -> list[str]:
    """What to put before a command so that it has no network at all; nothing where that needs root."""
    return [need_program("unshare"), "-n", "--"] if os.geteuid() == 0 else []


def gathered(folder: Path, arch: str) -> Path:
    """A bundle of the agent alone, for the Python that runs this."""
    # The tests' own network leads nowhere (conftest.py); gathering asks the registries, by pip alone.
    made = ask_registry([BUNDLE, arch, "--to", folder], {**os.environ, "PYTHON": sys.executable})
    need(made.returncode == 0, f"a package registry ({made.stderr[-300:]})")
    return folder


def test_wheel_and_sdist_are_built_without_network_and_hold_what_is_needed(tmp_path: Path) -> None:
    built = done([*without_network(), sys.executable, "-m", "hatchling", "build", "-d", tmp_path], cwd=TOP)
    assert built.returncode == 0, built.stderr
    names = zipfile.ZipFile(tmp_path / f"whichhop-{__version__}-py3-none-any.whl").namelist()
    for wanted in ("app/agents/whichhop@.service", "serve/page/page.css", "cli/__init__.py"):
        assert f"whichhop/{wanted}" in names
    assert not [n for n in names if not n.startswith(("whichhop/", f"whichhop-{__version__}.dist-info/"))]
    with tarfile.open(tmp_path / f"whichhop-{__version__}.tar.gz") as sdist:
        sdist.extractall(tmp_path / "source", filter="data")
    # Another wheel from the sdist holds the same files: nothing that is needed was left behind.
    source = tmp_path / "source" / f"whichhop-{__version__}"
    again = done(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", tmp_path / "b"], cwd=source
    )
    assert again.returncode == 0, again.stderr
    assert zipfile.ZipFile(next((tmp_path / "b").iterdir())).namelist() == names
    assert (source / "deploy" / "constraints.txt").exists()
    assert (source / "configs" / "mesh-radio.yaml").exists()


@pytest.mark.registry
def test_the_bundle_is_installed_into_an_empty_environment_without_network(tmp_path: Path) -> None:
    need(os.uname().machine == "x86_64", "an x86-64 machine")
    box = gathered(tmp_path / "box", "x86-64")
    into = tmp_path / "whichhop"
    env = {**os.environ, "PYTHON_VERSION": "", "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}"}
    env["PIP_NO_INDEX"] = "1"
    env.pop("PYTHON_VERSION")
    made = done([*without_network(), box / "install", into], env=env)
    assert made.returncode == 0, made.stderr
    program = into / "bin" / "whichhop"
    assert done([program, "--version"]).stdout.strip() == f"whichhop {__version__}"
    home = tmp_path / "home.yaml"
    shutil.copy(TOP / "configs" / "mesh-radio.yaml", home)
    assert done([program, "setup", home]).returncode == 0
    unit = into / "lib"
    assert list(unit.rglob("whichhop@.service"))
    lacking = done([program, "compare", home])
    assert lacking.returncode == 2
    assert "pip install '.[compare]'" in lacking.stderr


@pytest.mark.registry
def test_a_checkout_is_installed_into_an_empty_environment_without_network(tmp_path: Path) -> None:
    """From a folder of wheels that also holds what pip builds a checkout with."""
    need(os.uname().machine == "x86_64", "an x86-64 machine")
    box, into = gathered(tmp_path / "box", "x86-64"), tmp_path / "empty"
    for built in box.glob("whichhop-*.whl"):
        built.unlink()
    fetched = ask_registry(
        [sys.executable, "-m", "pip", "download", "-q", "-d", str(box), "hatchling"], dict(os.environ)
    )
    need(fetched.returncode == 0, f"a package registry ({fetched.stderr[-300:]})")
    assert done([sys.executable, "-m", "venv", into]).returncode == 0
    env = {**os.environ, "PIP_NO_INDEX": "1", "PIP_FIND_LINKS": str(box), "PIP_CONFIG_FILE": os.devnull}
    made = done([*without_network(), into / "bin" / "pip", "install", "-q", "."], cwd=TOP, env=env)
    assert made.returncode == 0, made.stderr
    said = done([into / "bin" / "whichhop", "check", TOP / "configs" / "mesh-radio.yaml"])
    assert said.returncode == 0
    assert "the home file is sound" in said.stdout


@pytest.mark.registry
def test_the_bundle_for_64_bit_arm_is_complete_by_pips_own_resolver(tmp_path: Path) -> None:
    box = gathered(tmp_path / "box", "aarch64")
    env = {**os.environ, "PYTHON": sys.executable}
    found = done([*without_network(), BUNDLE, "aarch64", "--check", box], env=env)
    assert found.returncode == 0, found.stderr
    assert found.stdout.startswith("complete for aarch64")
    next(box.glob("msgspec-*.whl")).unlink()
    lacking = done([*without_network(), BUNDLE, "aarch64", "--check", box], env=env)
    assert lacking.returncode != 0
    assert "msgspec" in lacking.stderr


def test_nobody_is_told_to_install_a_name_that_is_not_published() -> None:
    files = [
        TOP / "README.md",
        TOP / "DEVELOPERS.md",
        *(TOP / "deploy").glob("*"),
        *TOP.glob("agent/**/*.py"),
    ]
    for file in files:
        if file.is_file():
            said = re.findall(r"pipx? install[^`\n]*?['\" ]whichhop\b", file.read_text())
            # the bundle's own script installs from the folder it stands in, and from nowhere else
            assert all("--no-index" in words for words in said), (file, said)
