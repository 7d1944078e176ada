"""All fuzz targets one after the other, each for a while; a table of what was run and found.

    PYTHONPATH=tests nice -n 15 .venv/bin/python -m fuzz.every --seconds 180 --corpus /tmp/corpus

--corpus keeps what was learned, so that the next run goes on from there. The table is tests/fuzz/results.txt:
runs and seconds add up over runs of this program. A finding's octets are put into the corpus folder as
TARGET.finding-*, and the target is passed over until they are gone.
"""

import argparse
import re
import subprocess
import sys
from pathlib import Path

from msgspec import Struct

from fuzz.targets import TARGETS

TABLE = Path(__file__).parent / "results.txt"
LONGEST = {"store_file": 100_000, "report_page": 24_000, "report_paper": 6_000, "report_dossier": 24_000}
_ROW = re.compile(r"(\w+) +(\d+) +(\d+) +(\d+) +(\d+)$")


class Row(Struct):
    """Of one target. covered: branches of ours that were reached at last."""

    runs: int = 0
    seconds: int = 0
    covered: int = 0
    findings: int = 0


def read_table() -> dict[str, Row]:
    rows = (_ROW.match(line) for line in TABLE.read_text().splitlines()) if TABLE.exists() else ()
    return {m[1]: Row(*(int(m[n]) for n in range(2, 6))) for m in rows if m}


def write_table(rows: dict[str, Row]) -> None:
    lines = [
        "Coverage-guided runs of every reader of outside octets (python -m fuzz.every), added up.",
        "A finding is an outcome that the targets do not allow; each is fixed with a test.",
        "",
        f"{'target':<20}{'runs':>12}{'seconds':>9}{'branches':>10}{'findings':>10}",
    ]
    lines += [
        f"{name:<20}{r.runs:>12}{r.seconds:>9}{r.covered:>10}{r.findings:>10}"
        for name, r in sorted(rows.items())
    ]
    total = Row(sum(r.runs for r in rows.values()), sum(r.seconds for r in rows.values()))
    found = sum(r.findings for r in rows.values())
    lines.append(f"{'all of them:':<20}{total.runs:>12}{total.seconds:>9}{'':>10}{found:>10}")
    TABLE.write_text("\n".join(lines) + "\n")


def fuzz(name: str, seconds: int, corpus: Path) -> Row:
    folder = corpus / name
    folder.mkdir(parents=True, exist_ok=True)
    done = subprocess.run(
        [
            *(sys.executable, "-m", "fuzz.readers", name, str(folder), f"-max_total_time={seconds}"),
            *(f"-max_len={LONGEST.get(name, 4_000)}", "-timeout=30", "-rss_limit_mb=3000"),
            *("-print_final_stats=1", f"-artifact_prefix={corpus}/{name}.finding-"),
        ],
        capture_output=True,
        text=True,
        errors="replace",
        check=False,
    )
    said = done.stderr + done.stdout
    runs = re.search(r"stat::number_of_executed_units: (\d+)", said)
    covered = re.findall(r"cov: (\d+)", said)
    found = len(re.findall(r"Test unit written to ", said))
    if found or not runs:
        sys.stdout.write("\n".join(said.splitlines()[-40:]) + "\n")
    return Row(int(runs[1]) if runs else 0, seconds, int(covered[-1]) if covered else 0, found)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--seconds", type=int, default=180, help="of each target")
    parser.add_argument("--corpus", type=Path, required=True)
    parser.add_argument("--only", action="append", choices=sorted(TARGETS), default=[])
    args = parser.parse_args()
    result = 0
    for name in args.only or sorted(TARGETS, key=lambda n: read_table().get(n, Row()).seconds):
        if list(args.corpus.glob(f"{name}.finding-*")):
            sys.stdout.write(f"{name}: a finding waits in {args.corpus}\n")
            result = 1
            continue
        new, rows = fuzz(name, args.seconds, args.corpus), read_table()
        old = rows.get(name, Row())
        rows[name] = Row(
            old.runs + new.runs,
            old.seconds + new.seconds,
            max(old.covered, new.covered),
            old.findings + new.findings,
        )
        write_table(rows)
        sys.stdout.write(f"{name}: {new}\n")
        sys.stdout.flush()
        result = result or int(new.findings > 0)
    return result


if __name__ == "__main__":
    raise SystemExit(main())
