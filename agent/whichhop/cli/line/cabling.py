"""`whichhop cabling`: the coax part by part, what a change would gain, what to look at, each box's limit."""

import argparse
import json
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from msgspec import to_builtins

from whichhop.cabling.against_reading import compare
from whichhop.cabling.cautions import CHECKLIST, cautions_for
from whichhop.cabling.levels_summary import WORD
from whichhop.cabling.rules import RULES, LevelStanding
from whichhop.cabling.run import expected_dbmv, part_loss_db, part_words, run_loss_db, walk_levels
from whichhop.cabling.what_if import WhatIfOutcome, ideas, parse_change, what_if
from whichhop.cli.line.cabling_equipment import equipment_data, equipment_lines, own_data, own_lines
from whichhop.cli.line.levels import take_reading
from whichhop.cli.text import table
from whichhop.config.check import read_house
from whichhop.errors import DataError
from whichhop.model import Direction, ModemLevels
from whichhop.model.cable_run import Run
from whichhop.model.channel import MULTI_CARRIER
from whichhop.model.levels_source import LevelsSource

EPILOG = """\
examples:
  whichhop cabling configs/cable-levels.yaml
  whichhop cabling HOME --what-if "remove 5" --what-if "replace 3 coupler 9"
  whichhop cabling HOME --against reading.json     (what `whichhop levels --json` printed)
  whichhop cabling HOME --checklist
  whichhop cabling HOME --equipment
  whichhop cabling HOME --own --rental 14 --price 180

Says for each change what the modem would then have and whether that suffices: by its reading where
--against gives one, else by the level listed at the start of the run. With `tap: []` there, the start is
worked back from the reading. Levels of cable, splitters and couplers are typical ones; a part's own data
sheet goes before them.
"""
DOWN_MHZ = (100.0, 400.0, 700.0)
UP_MHZ = 30.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The verb's arguments."""
    parser.epilog = EPILOG
    parser.add_argument("home", type=Path, metavar="HOME", help="the home file (YAML)")
    parser.add_argument(
        "--what-if", action="append", default=[], metavar="CHANGE", help='e.g. "remove 5"; may be repeated'
    )
    parser.add_argument("--mhz", type=float, action="append", metavar="MHZ", help="a frequency to work out")
    parser.add_argument("--against", type=Path, metavar="FILE", help="a modem's reading to compare with")
    parser.add_argument("--checklist", action="store_true", help="print what to look at along the coax")
    parser.add_argument("--equipment", action="store_true", help="print each box's limit against the plan")
    parser.add_argument(
        "--own", action="store_true", help="equipment of your own: what the plan needs, and when it pays"
    )
    parser.add_argument("--rental", type=float, metavar="FEE", help="with --own: the rental fee a month")
    parser.add_argument("--price", type=float, metavar="SUM", help="with --own: what your own would cost")
    parser.add_argument("--json", action="store_true", help="print data instead of tables")


def _frequencies(wanted: list[float] | None) -> tuple[float, ...]:
    chosen = tuple(wanted or DOWN_MHZ)
    for mhz in chosen:
        if not 5.0 <= mhz <= 3000.0:
            raise DataError(f"--mhz {mhz:g}: coax carries 5 to 3000 MHz; give a frequency in between")
    return tuple(mhz * 1e6 for mhz in chosen)


def _standing(level_dbmv: float) -> LevelStanding:
    rules = (RULES["down-power-specification"], RULES["down-power-practice"])
    return max((rule.stands(level_dbmv) for rule in rules), key=lambda s: s.weight)


def _outcome_data(outcome: WhatIfOutcome) -> dict[str, Any]:
    return {
        "change": outcome.words,
        "gains": [{**to_builtins(g), "after_dbmv": g.after_dbmv} for g in outcome.gains],
        "cuts": list(outcome.cuts),
        "cautions": list(outcome.cautions),
    }


def _loss_lines(run: Run, hertz: tuple[float, ...]) -> list[str]:
    """The run where no level is known at its start: what each part loses."""
    head = ("", "part", *(f"{f / 1e6:g} MHz" for f in hertz))
    rows = [
        (str(i), part_words(p), *(f"{-part_loss_db(p, f):+.1f}" for f in hertz))
        for i, p in enumerate(run.parts, 1)
    ]
    total = ("", "together", *(f"{-run_loss_db(run, f):+.1f}" for f in hertz))
    return ["What each part adds in dB:", "", table(head, [*rows, total]), ""]


def _run_lines(run: Run, hertz: tuple[float, ...]) -> list[str]:
    up = run_loss_db(run, UP_MHZ * 1e6, upstream=True)
    upward = f"Upstream, {UP_MHZ:g} MHz: the modem sends {up:.1f} dB more than arrives at the start."
    if not run.tap_dbmv:
        return [*_loss_lines(run, hertz), upward]
    head = ("", "part", *(f"{f / 1e6:g} MHz" for f in hertz))
    levels = [walk_levels(run, f) for f in hertz]
    names = ["start", *(part_words(p) for p in run.parts)]
    rows = [
        (str(i) if i else "", name, *(f"{column[i]:+.1f}" for column in levels))
        for i, name in enumerate(names)
    ]
    lines = ["Level in dBmV after each part:", "", table(head, rows), ""]
    for f in hertz:
        level = expected_dbmv(run, f)
        lines.append(f"At the modem, {f / 1e6:g} MHz: {level:+.1f} dBmV, {WORD[_standing(level)]}.")
    return [*lines, upward]


def _then(outcome: WhatIfOutcome, *, read: bool) -> str:
    """The level that the modem would then have, and whether it suffices."""
    after = [g.after_dbmv for g in outcome.gains if g.after_dbmv is not None]
    if not after:
        return "what the modem would then have is not known: give its reading with --against FILE"
    worst = max(after, key=lambda level: (_standing(level).weight, abs(level)))
    low, high = min(after), max(after)
    span = f"{low:+.1f} dBmV" if high - low < 0.05 else f"{low:+.1f} to {high:+.1f} dBmV"
    origin = "" if read else ", by the level listed at the start"
    aim = RULES["down-power-practice"].range_words
    if not _standing(worst).weight:
        return f"the modem would then have {span}{origin}: that suffices (technicians aim for {aim})"
    side = "does not suffice" if worst < 0 else "is too much, which a pad brings down"
    return f"the modem would then have {span}{origin}: {worst:+.1f} dBmV {side} (technicians aim for {aim})"


def _sent(outcome: WhatIfOutcome, reading: ModemLevels | None) -> list[str]:
    """What the modem would then send, by its reading; the way back saves the same parts' dB."""
    powers = [
        c.power_dbmv - outcome.gains[0].upstream_gain_db
        for c in (reading.direction(Direction.UP) if reading else ())
        if c.power_dbmv is not None and c.locked is not False and c.carrier not in MULTI_CARRIER
    ]
    if not powers:
        return []
    rule = RULES["up-power-practice"]
    worst = max(powers, key=lambda p: (rule.stands(p).weight, p))
    well = "that suffices" if not rule.stands(worst).weight else f"wanted {rule.range_words}"
    low, high = min(powers), max(powers)
    span = f"{low:.1f} dBmV" if high - low < 0.05 else f"{low:.1f} to {high:.1f} dBmV"
    return [f"  and send {span}: {well}"]


def _outcome_lines(outcome: WhatIfOutcome, reading: ModemLevels | None, *, read: bool) -> list[str]:
    """A change, what it gains, what the modem would then have; at most three frequencies are told."""
    told = outcome.gains
    told = told if len(told) <= len(DOWN_MHZ) else (told[0], told[len(told) // 2], told[-1])
    gains = ", ".join(f"{g.gain_db:+.1f} dB at {g.frequency_hz / 1e6:g} MHz" for g in told)
    lines = [
        f"- {outcome.words}: {gains}; {outcome.gains[0].upstream_gain_db:+.1f} dB upstream",
        f"  {_then(outcome, read=read)}",
        *_sent(outcome, reading),
    ]
    if outcome.cuts:
        lines.append(f"  it cuts off: {', '.join(outcome.cuts)}")
    return lines


def _read_levels(reading: ModemLevels | None) -> dict[float, float] | None:
    """The reading's downstream level by frequency; None without one."""
    found = {
        float(c.frequency_hz): c.power_dbmv
        for c in (reading.direction(Direction.DOWN) if reading else ())
        if c.frequency_hz
        and c.power_dbmv is not None
        and c.locked is not False
        and c.carrier not in MULTI_CARRIER
    }
    return dict(sorted(found.items())) or None


def _worked_back(run: Run, read: Mapping[float, float]) -> str:
    """The level at the start of the run, worked back from what the modem reads."""
    start = [level + run_loss_db(run, f) for f, level in read.items()]
    low, high = min(start), max(start)
    span = f"{low:+.1f} dBmV" if high - low < 0.05 else f"{low:+.1f} to {high:+.1f} dBmV"
    return f"Worked back from the reading, the start of the run has {span} if the parts are as listed."


def _checklist_lines() -> list[str]:
    lines = ["What to look at, in this order (common practice):", ""]
    for number, check in enumerate(CHECKLIST, 1):
        lines.append(f"{number}. {check.what[0].upper()}{check.what[1:]}. Bad when: {check.bad_when}.")
        lines.append(f"   It does: {check.effect}. Do: {check.remedy}.")
    lines += ["", *(f"! {c}" for c in cautions_for(h for check in CHECKLIST for h in check.hazards))]
    return lines


def _reading(path: Path | None) -> ModemLevels | None:
    return None if path is None else take_reading("modem", LevelsSource(file=str(path)))


def run(args: argparse.Namespace) -> int:
    """Work out and print what was asked for."""
    house = read_house(args.home)
    hertz = _frequencies(args.mhz)
    reading = _reading(args.against)
    data: dict[str, Any] = {"home": house.home.name}
    lines: list[str] = []
    if args.checklist:
        data["checklist"] = [to_builtins(c) for c in CHECKLIST]
        lines += _checklist_lines()
    if args.equipment:
        data["equipment"] = equipment_data(house, reading)
        lines += equipment_lines(house, reading)
    if args.own:
        data["own"] = own_data(house, args.price, args.rental)
        lines += (
            ["", *own_lines(house, args.price, args.rental)]
            if lines
            else own_lines(house, args.price, args.rental)
        )
    elif args.rental is not None or args.price is not None:
        raise DataError("--rental and --price belong to --own; give that too")
    if house.run is None:
        if not lines or args.what_if or args.against:
            raise DataError(
                f"{args.home}: lists no cabling; add cabling: with a tap and the parts to the modem "
                "(configs/cable-levels.yaml shows one)"
            )
    elif args.what_if or args.against or not lines:
        run_ = house.run
        changes = [parse_change(t, run_) for t in args.what_if] or list(ideas(run_))
        read = _read_levels(reading)
        told_at = hertz if read is None else tuple(read)
        outcomes = [what_if(run_, change, told_at, read) for change in changes]
        difference = compare(run_, reading.channels) if reading is not None else None
        data["run"] = [
            {
                "part": part_words(p),
                "loss_db": {f"{f:g}": part_loss_db(p, f) for f in hertz},
                "level_dbmv": {f"{f:g}": walk_levels(run_, f)[i] for f in hertz} if run_.tap_dbmv else None,
            }
            for i, p in enumerate(run_.parts, 1)
        ]
        data["at_modem_dbmv"] = {f"{f:g}": expected_dbmv(run_, f) for f in hertz} if run_.tap_dbmv else None
        data["what_if"] = [_outcome_data(o) for o in outcomes]
        if difference is not None:
            data["against_reading"] = to_builtins(difference)
        lines += ["", *_run_lines(run_, hertz)] if lines else _run_lines(run_, hertz)
        if difference is not None and run_.tap_dbmv:
            lines.append(f"Against the reading: {difference.words}.")
        if read is not None and not run_.tap_dbmv:
            lines.append(_worked_back(run_, read))
        if outcomes:
            lines += [
                "",
                "What if:",
                *(line for o in outcomes for line in _outcome_lines(o, reading, read=read is not None)),
            ]
            lines += ["", *(f"! {c}" for c in cautions_for(h for o in outcomes for h in o.hazards))]
    sys.stdout.write(json.dumps(data, indent=2) + "\n" if args.json else "\n".join(lines) + "\n")
    return 0
