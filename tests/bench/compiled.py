"""Yardsticks in C, compiled by the benchmark that compares with them."""

import subprocess
from pathlib import Path

from support.need import need_program


def compiled(name: str, folder: Path | str, *options: str) -> str:
    """The program made from NAME.c beside this file; its path in `folder`."""
    made, source = str(Path(folder) / name), str(Path(__file__).with_name(f"{name}.c"))
    subprocess.run([need_program("gcc"), "-O2", *options, "-o", made, source], check=True, timeout=60)
    return made
