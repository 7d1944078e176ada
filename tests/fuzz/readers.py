"""Coverage-guided fuzz of one reader of outside octets; needs the extra `fuzz`.

    PYTHONPATH=tests .venv/bin/python -m fuzz.readers modem_page -max_total_time=180 -max_len=4000

Without a name it lists them. Any outcome that targets.py does not allow is a finding; libFuzzer leaves its
octets in a file crash-*, which is given in place of the options to run it again.
"""

import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["whichhop.wire", "whichhop.store", "whichhop.outside"]):
    from fuzz.targets import SEEDS, TARGETS, complained
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
        for number, octets in enumerate(SEEDS[name]):
            (Path(folder) / str(number)).write_bytes(octets)
        alone = any(not word.startswith("-") for word in sys.argv[1:])
        atheris.Setup(sys.argv if alone else [*sys.argv, folder], one_input)
        atheris.Fuzz()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
