"""What a change to the cable run would gain, worked out beforehand and kept with its note."""

import re
from collections.abc import Mapping, Sequence

from msgspec import Struct
from msgspec.structs import replace

from whichhop.cabling.cautions import Hazard, cautions_for, cut_services, hazards_of
from whichhop.cabling.run import COUPLER_THROUGH_DB, SPLITTER_DB, expected_dbmv, part_words, run_loss_db
from whichhop.errors import DataError
from whichhop.model.cable_run import Amplifier, Cable, CableKind, Coupler, Leg, Pad, Part, Run, Splitter
from whichhop.model.channel import Direction
from whichhop.model.note import ExpectedGain

DOWN_HZ = (100e6, 250e6, 400e6, 550e6, 700e6, 850e6, 1000e6)
UP_HZ = (10e6, 20e6, 30e6, 40e6, 60e6, 85e6)
"""Where gains are kept; in between they run straight: cable's loss bends little over 150 MHz."""


class CoaxChange(Struct, frozen=True, kw_only=True):
    """Take part number `at` (from 1, as listed) out, or put `instead` in its place."""

    at: int
    instead: Part | None = None


class LevelGain(Struct, frozen=True, kw_only=True):
    """What a change does at one frequency, dB.

    gain_db: downstream level won; below zero, lost. before_dbmv: the level before, as the modem reads it or
    as the run lets one expect; None where neither is known.
    """

    frequency_hz: float
    gain_db: float
    upstream_gain_db: float
    before_dbmv: float | None = None

    @property
    def after_dbmv(self) -> float | None:
        """The level that the modem would then have."""
        return None if self.before_dbmv is None else self.before_dbmv + self.gain_db


class WhatIfOutcome(Struct, frozen=True, kw_only=True):
    """A change with its gains, what else it touches, and what to mind."""

    words: str
    run: Run
    gains: tuple[LevelGain, ...]
    cuts: tuple[str, ...]
    hazards: tuple[Hazard, ...]

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to mind, closed by local codes; empty when nothing can hurt."""
        return cautions_for(self.hazards)


def changed(run: Run, change: CoaxChange) -> Run:
    """The run after a change; IndexError when there is no such part."""
    if not 1 <= change.at <= len(run.parts):
        raise IndexError(f"part {change.at} of {len(run.parts)}")
    parts = list(run.parts)
    parts[change.at - 1 : change.at] = [] if change.instead is None else [change.instead]
    return replace(run, parts=tuple(parts))


def what_if(
    run: Run, change: CoaxChange, frequencies_hz: tuple[float, ...], read: Mapping[float, float] | None = None
) -> WhatIfOutcome:
    """A change's gain at each frequency; read: the levels that the modem reads, which go before the run's."""
    after = changed(run, change)
    old = run.parts[change.at - 1]
    gains = tuple(
        LevelGain(
            frequency_hz=f,
            gain_db=run_loss_db(run, f) - run_loss_db(after, f),
            before_dbmv=read[f] if read is not None else expected_dbmv(run, f) if run.tap_dbmv else None,
            upstream_gain_db=run_loss_db(run, f, upstream=True) - run_loss_db(after, f, upstream=True),
        )
        for f in frequencies_hz
    )
    touched = (old,) if change.instead is None else (old, change.instead)
    kept = change.instead.serves if isinstance(change.instead, Splitter | Coupler) else ()
    cuts = tuple(s for s in cut_services((old,)) if s not in kept)
    verb = "take out" if change.instead is None else "replace"
    words = f"{verb} part {change.at} ({part_words(old, others=False)})"
    if change.instead is not None:
        words += f" by {part_words(change.instead, others=False)}"
    return WhatIfOutcome(words=words, run=after, gains=gains, cuts=cuts, hazards=hazards_of(touched))


LONGEST_M = 200.0
"""A drop from the street and the whole way through a house; our own choice."""
MOST_PAD_DB = 20.0
"""The largest fixed attenuator usually sold for homes (common practice)."""
_FORMS = 'write "remove N", or "replace N" and one of: rg-6 [METRES], splitter WAYS, coupler DB, pad DB'


def parse_change(text: str, run: Run) -> CoaxChange:
    """A change as a person types it: "remove 4", "replace 4 coupler 9", "replace 2 rg-6 12.5".

    A cable without a length keeps the old one's; what a replaced part served, the new one serves.
    DataError with the forms to write otherwise.
    """
    found = re.fullmatch(r"\s*(remove|replace)\s+(\d+)\s*(\S*)\s*(\d*\.?\d*)\s*", text.lower())
    if found is None:
        raise DataError(f"what-if {text!r} is not understood; {_FORMS}")
    verb, at, what, size = found[1], int(found[2]), found[3], found[4]
    if not 1 <= at <= len(run.parts):
        raise DataError(f"what-if {text!r}: there is no part {at}; the run has parts 1 to {len(run.parts)}")
    if verb == "remove":
        if what:
            raise DataError(f"what-if {text!r}: nothing comes after the number; {_FORMS}")
        return CoaxChange(at=at)
    return CoaxChange(at=at, instead=_new_part(text, what, size, run.parts[at - 1]))


def _unlike(text: str, old: Part, new: str) -> DataError:
    takes = {
        Cable: "another cable",
        Splitter: "a splitter or a coupler",
        Coupler: "a splitter or a coupler",
        Amplifier: "a pad",
        Pad: "another pad",
    }.get(type(old))
    name = part_words(old, others=False)
    can = f"put {takes} in its place or take it out" if takes else "take it out"
    return DataError(f"what-if {text!r}: {new} cannot stand for {name}; {can}")


def _new_part(text: str, what: str, size: str, old: Part) -> Part:
    serves = old.serves if isinstance(old, Splitter | Coupler) else ()
    if what in list(CableKind):
        if not isinstance(old, Cable):
            raise _unlike(text, old, "a cable")
        length = float(size) if size else old.length_m
        if not 0.0 < length <= LONGEST_M:
            raise DataError(
                f"what-if {text!r}: no cable of a home is {length:g} m long; give 0.1 to {LONGEST_M:g}"
            )
        return Cable(kind=CableKind(what), length_m=length)
    if what in ("splitter", "coupler") and not isinstance(old, Splitter | Coupler):
        raise _unlike(text, old, f"a {what}")
    if what == "splitter" and size.isdigit() and (int(size), Leg.EVEN) in SPLITTER_DB:
        return Splitter(ways=int(size), serves=serves)
    if what == "coupler" and size.isdigit() and int(size) in COUPLER_THROUGH_DB:
        return Coupler(value_db=int(size), serves=serves)
    if what == "pad" and size:
        if not isinstance(old, Amplifier | Pad):
            raise _unlike(text, old, "a pad")
        if not 0.0 < float(size) <= MOST_PAD_DB:
            raise DataError(f"what-if {text!r}: there is no pad of {size} dB; give 1 to {MOST_PAD_DB:g}")
        return Pad(loss_db=float(size))
    raise DataError(f"what-if {text!r} is not understood; {_FORMS}")


def ideas(run: Run) -> tuple[CoaxChange, ...]:
    """Changes worth trying on paper: each splitter out, or a coupler for it; each old thin cable replaced.

    A coupler's through output favours the modem and keeps the other outlets alive at a lower level, so it
    is offered for two-way splitters only.
    """
    out: list[CoaxChange] = []
    for number, part in enumerate(run.parts, 1):
        match part:
            case Splitter():
                out.append(CoaxChange(at=number))
                if part.ways == 2:
                    out.append(CoaxChange(at=number, instead=Coupler(value_db=9, serves=part.serves)))
            case Cable(kind=CableKind.RG_59):
                out.append(CoaxChange(at=number, instead=replace(part, kind=CableKind.RG_6)))
            case _:
                pass
    return tuple(out)


def expected_gains(run: Run, change: CoaxChange) -> tuple[ExpectedGain, ...]:
    """A change's gains by frequency, downstream and upstream, from the run as it is listed now."""
    down = what_if(run, change, DOWN_HZ).gains
    up = what_if(run, change, UP_HZ).gains
    return (
        *(
            ExpectedGain(
                direction=Direction.DOWN, frequency_hz=g.frequency_hz, gain_db=round(g.gain_db, 4) + 0.0
            )
            for g in down
        ),
        *(
            ExpectedGain(
                direction=Direction.UP,
                frequency_hz=g.frequency_hz,
                gain_db=round(g.upstream_gain_db, 4) + 0.0,
            )
            for g in up
        ),
    )


def expected_at(gains: Sequence[ExpectedGain], direction: Direction, frequency_hz: float) -> float | None:
    """The expected change of the level the modem shows, dB: received downstream, sent upstream.

    A gain lets the modem send less, so upstream the sign turns. Straight between the kept frequencies, held
    outside them; None where nothing is kept for that direction.
    """
    points = sorted((g.frequency_hz, g.gain_db) for g in gains if g.direction is direction)
    if not points:
        return None
    low = max((p for p in points if p[0] <= frequency_hz), default=points[0])
    high = min((p for p in points if p[0] >= frequency_hz), default=points[-1])
    share = 0.0 if high[0] == low[0] else (frequency_hz - low[0]) / (high[0] - low[0])
    gain = low[1] + share * (high[1] - low[1])
    return gain if direction is Direction.DOWN else -gain + 0.0
