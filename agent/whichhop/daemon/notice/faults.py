"""Which verdicts are one fault, from bulletin to bulletin, through changes of mind and short gaps. Pure."""

from collections.abc import Callable, Sequence
from typing import Annotated

import msgspec

from whichhop.model import Cause, Verdict
from whichhop.model.bulletin import Bulletin
from whichhop.model.units import NS_PER_S
from whichhop.outside import INT64

KeptNs = Annotated[int, msgspec.Meta(ge=0, le=INT64)]
"""An instant that was read back from disk."""

TOLD_OF_NONE = (Cause.HEALTHY, Cause.RESPONDER, Cause.AGENT_HOST)
"""Nothing that anybody feels: a box slow to answer for itself, a machine too busy to measure."""
NEAR_NS = 120 * NS_PER_S
"""Two verdicts that begin within this, or the next this soon after the last, are one fault seen otherwise."""
OVER_NS = 60 * NS_PER_S
"""So long a fault must be over before it is told: what flaps is one fault with a gap."""
RECENT_NS = 2 * NEAR_NS
MOST_FAULTS = 200
"""A flapping link must not fill a disk; the day's book has a hundred (compare/bulletin.py)."""


class Fault(msgspec.Struct, kw_only=True):
    """One fault as it was last judged. end_ns: when it ended, None while it goes on.

    withdrawn: later packets spoke against it, so that it did not end but never was. ways: by way, what was
    told of it last, "" once its end was told. told_ns: by way, when.
    """

    number: str
    cause: str
    elements: tuple[str, ...]
    probability: float
    proven: bool
    standing: bool
    start_ns: KeptNs
    end_ns: KeptNs | None = None
    withdrawn: bool = False
    ways: dict[str, str] = {}
    told_ns: dict[str, KeptNs] = {}

    @property
    def told_as(self) -> str:
        """What a reader takes it for; another one is worth an update."""
        return f"{self.cause}:{'+'.join(sorted(self.elements))}:{'' if self.proven else 'likely'}"


def _near(fault: Fault, verdict: Verdict) -> int | None:
    """How well a verdict continues a fault, the less the better; None where it does not."""
    same = set(fault.elements) == set(verdict.elements)
    shared = bool(set(fault.elements) & set(verdict.elements))
    apart = abs(fault.start_ns - verdict.start_ns)
    follows = _follows(fault, verdict)
    overlaps = (fault.end_ns is None or verdict.start_ns <= fault.end_ns) and (
        verdict.end_ns is None or verdict.end_ns >= fault.start_ns
    )
    if same and (overlaps or follows):
        return 0
    if shared and (overlaps or follows):
        return 1
    # Another element from the same moment on: the evidence has moved, the fault has not.
    return 2 if apart <= NEAR_NS and fault.end_ns is None else None


def _follows(fault: Fault, verdict: Verdict) -> bool:
    return fault.end_ns is not None and -NEAR_NS <= verdict.start_ns - fault.end_ns <= OVER_NS


def _goes_on(fault: Fault, verdict: Verdict) -> bool:
    """Whether a verdict is the next piece of a fault that ends."""
    later = verdict.end_ns is None or (fault.end_ns is not None and verdict.end_ns > fault.end_ns)
    return later and _follows(fault, verdict) and bool(set(fault.elements) & set(verdict.elements))


def follow(
    faults: list[Fault], bulletin: Bulletin, now_ns: int, number: Callable[[Verdict], str]
) -> list[Fault]:
    """The faults after a bulletin, in order of their beginning. number: names a new one."""
    verdicts = [t.verdict for t in bulletin.told if t.verdict.cause not in TOLD_OF_NONE]
    links = _joined(faults, verdicts)
    taken = {id(verdict) for verdict in links.values()}
    for fault in faults:
        verdict = links.get(fault.number)
        while verdict is not None:
            _take(fault, verdict)
            taken.add(id(verdict))
            # What was told as one and is pieces by now is over when the last of them is.
            verdict = next((v for v in verdicts if id(v) not in taken and _goes_on(fault, v)), None)
        if fault.number not in links and fault.end_ns is None and not bulletin.learning_s:
            fault.end_ns, fault.withdrawn = now_ns, True
    for verdict in verdicts:
        if id(verdict) in taken or _known(verdict, faults, now_ns):
            continue
        faults.append(
            Fault(
                number=number(verdict),
                cause=str(verdict.cause),
                elements=verdict.elements,
                probability=verdict.probability,
                proven=verdict.proven,
                standing=verdict.standing,
                start_ns=verdict.start_ns,
                end_ns=verdict.end_ns,
            )
        )
    return sorted(faults, key=lambda f: f.start_ns)[-MOST_FAULTS:]


def _known(verdict: Verdict, faults: Sequence[Fault], now_ns: int) -> bool:
    """Whether one that is over when it is first seen is history, or an earlier piece of a fault with gaps."""
    if verdict.end_ns is None:
        return False
    return now_ns - verdict.end_ns > RECENT_NS or any(_near(f, verdict) is not None for f in faults)


def _joined(faults: Sequence[Fault], verdicts: Sequence[Verdict]) -> dict[str, Verdict]:
    """By a fault's number the verdict that it is now: the one that begins nearest to it; each once."""
    pairs = sorted(
        (
            (near, abs(fault.start_ns - verdict.start_ns), verdict.end_ns is not None, f, v)
            for f, fault in enumerate(faults)
            for v, verdict in enumerate(verdicts)
            if (near := _near(fault, verdict)) is not None
        ),
    )
    out: dict[str, Verdict] = {}
    used: set[int] = set()
    for _, _, _, f, v in pairs:
        if faults[f].number not in out and v not in used:
            out[faults[f].number] = verdicts[v]
            used.add(v)
    return out


def _take(fault: Fault, verdict: Verdict) -> None:
    fault.cause, fault.elements = str(verdict.cause), verdict.elements
    fault.probability, fault.proven = verdict.probability, verdict.proven
    fault.standing, fault.end_ns, fault.withdrawn = verdict.standing, verdict.end_ns, False
    fault.start_ns = min(fault.start_ns, verdict.start_ns)
