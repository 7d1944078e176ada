"""What a change to the cable run would gain, before anybody fetches a screwdriver."""

from dataclasses import dataclass, replace

from whichhop.cabling.cautions import cautions_for, cut_services, hazards_of
from whichhop.cabling.run import expected_dbmv, part_words, run_loss_db
from whichhop.model.cable_run import Cable, CableKind, Coupler, Part, Run, Splitter


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """Take part number `at` (from 1, as listed) out, or put `instead` in its place."""

    at: int
    instead: Part | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Gain:
    """What a change does at one frequency, dB and dBmV; the same dB are saved on the way back."""

    frequency_hz: float
    before_dbmv: float
    after_dbmv: float
    upstream_gain_db: float

    @property
    def gain_db(self) -> float:
        """Downstream level won; below zero, lost."""
        return self.after_dbmv - self.before_dbmv


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """A change with its gains, what else it touches, and what to mind."""

    words: str
    run: Run
    gains: tuple[Gain, ...]
    cuts: tuple[str, ...]
    cautions: tuple[str, ...]


def changed(run: Run, change: Change) -> Run:
    """The run after a change; IndexError when there is no such part."""
    if not 1 <= change.at <= len(run.parts):
        raise IndexError(f"part {change.at} of {len(run.parts)}")
    parts = list(run.parts)
    parts[change.at - 1 : change.at] = [] if change.instead is None else [change.instead]
    return replace(run, parts=tuple(parts))


def what_if(run: Run, change: Change, frequencies_hz: tuple[float, ...]) -> Outcome:
    """A change's gain at each frequency."""
    after = changed(run, change)
    old = run.parts[change.at - 1]
    gains = tuple(
        Gain(
            frequency_hz=f,
            before_dbmv=expected_dbmv(run, f),
            after_dbmv=expected_dbmv(after, f),
            upstream_gain_db=run_loss_db(run, f, upstream=True) - run_loss_db(after, f, upstream=True),
        )
        for f in frequencies_hz
    )
    touched = (old,) if change.instead is None else (old, change.instead)
    kept = change.instead.serves if isinstance(change.instead, Splitter | Coupler) else ()
    cuts = tuple(s for s in cut_services((old,)) if s not in kept)
    verb = "take out" if change.instead is None else "replace"
    words = f"{verb} part {change.at} ({part_words(old)})"
    if change.instead is not None:
        words += f" by {part_words(change.instead)}"
    return Outcome(words=words, run=after, gains=gains, cuts=cuts, cautions=cautions_for(hazards_of(touched)))


def ideas(run: Run) -> tuple[Change, ...]:
    """Changes worth trying on paper: each splitter out, or a coupler for it; each old thin cable replaced.

    A coupler's through output favours the modem and keeps the other outlets alive at a lower level, so it
    is offered for two-way splitters only.
    """
    out: list[Change] = []
    for number, part in enumerate(run.parts, 1):
        match part:
            case Splitter():
                out.append(Change(at=number))
                if part.ways == 2:
                    out.append(Change(at=number, instead=Coupler(value_db=9, serves=part.serves)))
            case Cable(kind=CableKind.RG_59):
                out.append(Change(at=number, instead=replace(part, kind=CableKind.RG_6)))
            case _:
                pass
    return tuple(out)
