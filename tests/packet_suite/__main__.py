"""Plays the real-packet suite: `tests/run lab-suite [--runs N] [--homes K] [--only KIND] [--write FILE]`."""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import threading
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from msgspec import to_builtins

from packet_suite.runs import INSIDE, KINDS, runs_of
from packet_suite.scoring import kind_of, outcome, table
from packet_suite.stage import Stage
from whichhop.net.clock import SystemClock

TOP = Path(__file__).parents[2]
EPILOG = """\
Builds emulated homes in network namespaces, starts agents as shipped and `whichhop compare --follow`, and
breaks one thing after another. The truth is the script's. A run costs about two minutes in a home; homes run
side by side. Needs root and a machine that does nothing else. Exit code 1 when a verdict is wrong.
"""


def one_home(number: int, count: int, only: str | None, keep: Path | None, *, inside: bool) -> None:
    """Play one home's runs; a line of JSON each."""
    with ExitStack() as stack:
        if keep is None:
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="whichhop-suite-")))
        else:
            folder = keep.resolve() / str(number)
            folder.mkdir(parents=True)
        stage = stack.enter_context(Stage(number, folder))
        print(json.dumps({"up": number}), flush=True)
        stage.learn()
        for run in runs_of(number, count, only=only, inside=inside):
            print(json.dumps(to_builtins(stage.play(run))), flush=True)


def _listen(child: "subprocess.Popen[str]", seen: list[dict[str, Any]], up: threading.Event) -> None:
    assert child.stdout is not None
    for line in child.stdout:
        said = json.loads(line)
        if "up" in said:
            up.set()
            continue
        seen.append(said)
        came = outcome(kind_of(said["name"]), said["verdicts"])
        named = "; ".join(f"{v['cause']} {'+'.join(v['elements'])}" for v in said["verdicts"])
        sys.stderr.write(
            f"[{len(seen)}] home {said['home']} {said['name']} {said['words']}: {came}: {named}\n"
        )
        sys.stderr.write(f"      first said: {said['first'] or 'nothing'}; at most {said['late_s']} s late\n")
        sys.stderr.write(said["screen"])
        sys.stderr.flush()
    up.set()


def play(homes: int, runs: int, only: str | None, keep: Path | None, *, inside: bool) -> list[dict[str, Any]]:
    """All runs of all homes; a home that fails is told and the others go on."""
    seen: list[dict[str, Any]] = []
    children, threads = [], []
    for number in range(homes):
        count = runs // homes + (number < runs % homes)
        words = ["--one-home", str(number), "--runs", str(count), *(["--only", only] if only else [])]
        words += ["--keep", str(keep)] if keep else []
        words += ["--inside"] if inside else []
        child = subprocess.Popen(
            [sys.executable, "-m", "packet_suite", *words], stdout=subprocess.PIPE, text=True
        )
        up = threading.Event()
        thread = threading.Thread(target=_listen, args=(child, seen, up))
        thread.start()
        # One at a time: a home measures its links when it comes up, and needs a quiet machine for it.
        up.wait(180)
        children.append(child)
        threads.append(thread)
    for number, (child, thread) in enumerate(zip(children, threads, strict=True)):
        thread.join()
        if child.wait() != 0:
            sys.stderr.write(f"home {number} ended early with code {child.returncode}\n")
    return sorted(seen, key=lambda one: (one["home"], one["begin_ns"]))


def _commit() -> str:
    done = subprocess.run(
        ["git", "-C", str(TOP), "describe", "--always", "--dirty", "--abbrev=12"],
        capture_output=True,
        text=True,
        check=False,
    )
    return done.stdout.strip() or "unknown"


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="tests/run lab-suite", epilog=EPILOG, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--runs", type=int, default=45, metavar="N", help="runs in all (default: 45)")
    parser.add_argument("--homes", type=int, default=2, metavar="K", help="homes side by side (default: 2)")
    parser.add_argument("--only", choices=[k.name for k in (*KINDS, *INSIDE)], help="this kind alone")
    parser.add_argument("--inside", action="store_true", help="causes inside a hop, each long enough to show")
    parser.add_argument("--write", type=Path, metavar="FILE", help="also write the table there")
    parser.add_argument("--keep", type=Path, metavar="DIR", help="keep what was measured there")
    parser.add_argument("--one-home", type=int, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.one_home is not None:
        one_home(args.one_home, args.runs, args.only, args.keep, inside=args.inside)
        return 0
    commit = _commit()
    began = SystemClock().utc_ns()
    seen = play(args.homes, args.runs, args.only, args.keep, inside=args.inside)
    day = datetime.fromtimestamp(began / 1e9, UTC).strftime("%Y-%m-%d %H:%M UTC")
    head = [
        f"Faults of real packets: {len(seen)} runs in {args.homes} emulated homes; commit {commit}, {day}.",
        "s: seconds from the fault to the right verdict with no other beside it; empty when there was none.",
        f"Machine: {os.cpu_count()} processors, load average {os.getloadavg()[2]:.0f} (15 minutes).",
        "",
    ]
    text = "\n".join([*head, *table(seen)]) + "\n"
    sys.stdout.write(text)
    if args.write:
        args.write.write_text(text)
    wrong = any(outcome(kind_of(one["name"]), one["verdicts"]) == "wrong" for one in seen)
    return 1 if wrong or len(seen) < args.runs else 0


if __name__ == "__main__":
    raise SystemExit(main())
