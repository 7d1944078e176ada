"""Coverage-guided fuzz of one reader of outside octets; needs the extra `fuzz`.

    PYTHONPATH=tests .venv/bin/python -m fuzz.readers modem_page -max_total_time=180 -max_len=4000

Without a name it lists them. Any outcome that targets.py does not allow is a finding; libFuzzer leaves its
octets in a file crash-*, which is given in place of the options to run it again.
"""

import sys
import tempfile
from pathlib import Path

import atheris

import whichhop

ROOMS = (
    "outside",
    "printable",
    "wire",
    "store",
    "config",
    "serve",
    "report",
    "net",
    "app",
    "probes",
    "daemon",
)
"""Whose branches count as news; the comparer's many would only make it slow."""
_TOP = Path(whichhop.__file__).parent
_OTHERS = [
    ".".join(("whichhop", *parts[: -1 if parts[-1] == "__init__" else None]))
    for file in _TOP.rglob("*.py")
    if (parts := file.relative_to(_TOP).with_suffix("").parts)[0] not in ROOMS
]
# atheris counts a package's name as all of it, so the other rooms are named module by module.
with atheris.instrument_imports(include=["whichhop"], exclude=_OTHERS):
    from fuzz.allowed import complained
    from fuzz.targets import TARGETS, seeds_of
    from whichhop.errors import WhichhopError


def main() -> int:
    """Fuzz the named target until its time is over or something is found."""
    if len(sys.argv) < 2 or sys.argv[1] not in TARGETS:
        sys.stdout.write("\n".join(sorted(TARGETS)) + "\n")
        return 2
    name = sys.argv.pop(1)

    def one_input(data: bytes) -> None:
        try:
            TARGETS[name](data)
        except WhichhopError as trouble:
            complained(trouble)

    with tempfile.TemporaryDirectory() as folder:
        for number, octets in enumerate(seeds_of(name)):
            (Path(folder) / str(number)).write_bytes(octets)
        # One file alone is a finding to be run again; a folder keeps what is learned.
        alone = any(Path(word).is_file() for word in sys.argv[1:])
        atheris.Setup(sys.argv if alone else [*sys.argv, folder], one_input)
        atheris.Fuzz()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
