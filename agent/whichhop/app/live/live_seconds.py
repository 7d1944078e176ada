"""Between two ticks: the newest seconds from the agents' open minutes, and what they said lately."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from whichhop.compare.windows.second_counts import seconds_of
from whichhop.compare.windows.seconds import Seconds
from whichhop.model import Record, SessionKey, Verdict
from whichhop.model.units import NS_PER_S

BACK_NS = 40 * NS_PER_S
"""So far back the newest seconds go: what has not been known by then is for the ticks."""
STANDS_NS = 40 * NS_PER_S
"""So long after its begin a word of the seconds stands without one of the ticks, which come ten to twenty
seconds later and want two of them."""


@dataclass(slots=True)
class NewestSeconds:
    """The open minutes as they came last; a minute that closes stays until the store has it."""

    _open: dict[tuple[SessionKey, int], Record] = field(default_factory=dict)

    def take(self, records: Iterable[Record]) -> None:
        """Newer open minutes; of the same minute the newer stands."""
        self._open |= {(r.session, r.minute): r for r in records}
        newest = max((minute for _, minute in self._open), default=0)
        self._open = {at: r for at, r in self._open.items() if at[1] >= newest - 1}

    def at(self, now_ns: int) -> Seconds:
        """The whole seconds before now."""
        end_ns = now_ns - now_ns % NS_PER_S
        keys = list(dict.fromkeys(session for session, _ in self._open))
        return seconds_of(self._open.values(), keys, end_ns - BACK_NS, end_ns)


@dataclass(slots=True)
class SoonWords:
    """What the seconds said and the ticks have not yet borne out."""

    _said: list[Verdict] = field(default_factory=list)

    def say(self, verdicts: Iterable[Verdict]) -> None:
        """New words; one of the same elements is the same word, and keeps its begin."""
        known = {v.elements for v in self._said}
        self._said += [v for v in verdicts if v.elements not in known]

    def beside(self, told: Sequence[Verdict], judged_ns: int) -> list[Verdict]:
        """Those that still stand beside what the ticks say, which are judged up to `judged_ns`."""
        self._said = [
            v
            for v in self._said
            if judged_ns < v.start_ns + STANDS_NS
            and not any(set(v.elements) & set(t.elements) and _overlap(v, t) for t in told)
        ]
        return list(self._said)


def _overlap(soon: Verdict, told: Verdict) -> bool:
    return told.end_ns is None or told.end_ns > soon.start_ns
