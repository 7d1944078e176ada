"""`whichhop demo`: the main job shown on an emulated home, and held against the fault that was injected."""

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from whichhop.cli.outputs import refuse_over_inputs
from whichhop.errors import SystemRefusedError, WhichhopError
from whichhop.lab.demo.run import Shown, play, recorded_folder, replay
from whichhop.lab.demo.stories import STORIES, Story
from whichhop.net.clock import Clock, SystemClock

EPILOG = """\
examples:
  whichhop demo                           a fault on the radio backhaul of the attic's mesh node
  whichhop demo --fault upstream-link     one on the access line
  whichhop demo --fault all               all four stories, one after the other

Exit code 0 only when the verdict names exactly the link that was broken (or nothing, when nothing was).
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The verb's arguments."""
    parser.epilog = EPILOG
    parser.add_argument(
        "--fault", choices=[*STORIES, "all"], default="backhaul", help="what is broken (default: backhaul)"
    )
    parser.add_argument("--json", action="store_true", help="print data instead of text")
    parser.add_argument(
        "--recorded", action="store_true", help="judge recorded samples, as where namespaces are refused"
    )
    parser.add_argument("--save", type=Path, metavar="FILE", help="also write the run's records there")


class _Teller:
    """Progress lines on stderr with the seconds since the start."""

    def __init__(self, clock: Clock) -> None:
        self._clock, self._begin = clock, clock.mono_ns()

    def __call__(self, text: str) -> None:
        seconds = (self._clock.mono_ns() - self._begin) / 1e9
        sys.stderr.write(f"[{seconds:4.0f} s] {text}\n")
        sys.stderr.flush()


def _show(story: Story, args: argparse.Namespace, tell: _Teller) -> Shown:
    if args.recorded:
        return replay(story, recorded_folder())
    try:
        return play(story, tell, save=args.save)
    except SystemRefusedError as refused:
        tell(f"no emulated home on this machine: {refused}")
        tell("judging samples recorded in such a home instead; nothing is measured here and now")
        return replay(story, recorded_folder())


def _data(shown: Shown) -> dict[str, Any]:
    return {
        "fault": shown.story.name,
        "truth": {"cause": shown.story.cause, "element": shown.story.element},
        "matches": shown.outcome.matches,
        "verdict": shown.outcome.named,
        "others": list(shown.outcome.others),
        "from_fault_s": shown.from_fault_s,
        "seconds": shown.seconds,
        "recorded": shown.recorded,
        "packets": shown.compared["packets"],
    }


def _text(shown: Shown) -> str:
    story, named = shown.story, shown.outcome.named
    lines = [f"Broken: {story.element or 'nothing'} ({story.words})"]
    if shown.recorded:
        lines.append("From recorded samples, not from this machine.")
    if named is None:
        lines.append("Verdict: healthy; nothing exceeds its own quiet baseline.")
    else:
        lines.append("Verdict: " + "\n         ".join(named["words"]))
    for other in shown.outcome.others:
        lines.append("Also said: " + str(other["words"][0]))
    after = f", {shown.from_fault_s:.0f} s after it began" if shown.from_fault_s is not None else ""
    answer = "the verdict matches what was done" if shown.outcome.matches else "the verdict is WRONG"
    lines.append(f"Held against the truth: {answer}{after}.")
    return "\n".join(lines) + "\n"


def run(args: argparse.Namespace) -> int:
    """Show one story or all. Exit code 0 when every verdict matches, 1 when one does not."""
    if args.save and (args.recorded or args.fault == "all"):
        raise WhichhopError("--save keeps the records of one run; give one --fault, and not --recorded")
    refuse_over_inputs(args, "save")
    tell = _Teller(SystemClock())
    names = list(STORIES) if args.fault == "all" else [args.fault]
    good, everything = True, []
    for name in names:
        if len(names) > 1:
            tell(f"--- {name} ---")
        shown = _show(STORIES[name], args, tell)
        good = good and shown.outcome.matches
        everything.append(_data(shown))
        if not args.json:
            sys.stdout.write("\n" + _text(shown) + "\n")
            sys.stdout.flush()
    if args.json:
        sys.stdout.write(json.dumps(everything if len(everything) > 1 else everything[0], indent=2) + "\n")
    return 0 if good else 1
