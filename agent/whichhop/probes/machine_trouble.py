"""The agent's machine: in which stretches of time it was asleep, starved or its clock stepped. Pure.

A beat is one look at the clocks and the processor, about once a second. What two beats tell is turned into
spans of trouble; a sample that was under way in such a span says nothing about the path and is set aside,
never lost.
"""

from collections import deque

from msgspec import Struct
from msgspec.structs import replace

from whichhop.model import Fate, Reading, Sample
from whichhop.model.units import NS_PER_MS, NS_PER_S, MonoNs, UtcNs


class Beat(Struct, frozen=True, kw_only=True):
    """One look at this machine.

    before_ns, after_ns: CLOCK_MONOTONIC read just before and just after `utc_ns` (CLOCK_REALTIME) and
        `boot_ns`
    (CLOCK_BOOTTIME), so that an interruption between the readings is taken neither for a step nor for sleep.
    lateness_ns: the event loop's worst lateness since the last beat.
    cpu_total, cpu_steal: processor ticks since boot; both 0 where the system does not tell.
    send_failures: packets refused by the system since the last beat.
    """

    before_ns: MonoNs
    utc_ns: UtcNs
    after_ns: MonoNs
    boot_ns: int
    lateness_ns: int = 0
    cpu_total: int = 0
    cpu_steal: int = 0
    send_failures: int = 0


class TroubleLimits(Struct, frozen=True, kw_only=True):
    """From where on the machine, and not the path, is at fault. All common practice, none from a standard.

    late_ns: event-loop lateness. The kernel stamps packets whether or not this process runs, so only a
        standstill that must have held up the kernel too counts; where stamps are taken in user space, 5 ms is
        the right limit.
    steal_ratio: share of the processors' time the hypervisor took away within one beat.
    step_ns: smallest clock step told from slewing; the kernel slews by at most 500 ppm (adjtimex), 1000
        allowed.
    asleep_ns: smallest suspension worth telling.
    """

    late_ns: int = 500 * NS_PER_MS
    steal_ratio: float = 0.25
    step_ns: int = NS_PER_MS // 2
    slew_ppm: int = 1000
    asleep_ns: int = 10 * NS_PER_MS


class Trouble(Struct, frozen=True, kw_only=True):
    """A stretch of wall-clock time in which this machine was at fault; `until_ns` forgets it (monotonic)."""

    fate: Fate
    start_ns: int
    end_ns: int
    until_ns: int


_KEEP_NS = 10 * NS_PER_S
"""Samples are vetted within the waiting time and a beat; a wall clock set back must not meet old spans
again."""


USUAL = TroubleLimits()


def stepped_ns(old: Beat, new: Beat, limits: TroubleLimits = USUAL) -> int:
    """By how much the wall clock jumped between two beats, in ns; 0 when slewing and reading error explain
    it.

    Suspension is no step: CLOCK_REALTIME runs on with CLOCK_BOOTTIME, so the time asleep is taken out first.
    """
    asleep = slept_ns(old, new, limits)
    least = (new.utc_ns - new.after_ns) - (old.utc_ns - old.before_ns) - asleep
    most = (new.utc_ns - new.before_ns) - (old.utc_ns - old.after_ns) - asleep
    slack = limits.step_ns + (new.after_ns - old.before_ns) * limits.slew_ppm // 1_000_000
    if asleep:
        # Waking sets the wall clock from a hardware clock of coarse steps; suspension is already reason
        # enough.
        slack += NS_PER_S
    if least > slack:
        return least
    return most if most < -slack else 0


def slept_ns(old: Beat, new: Beat, limits: TroubleLimits = USUAL) -> int:
    """How long the machine was suspended between two beats, at least, in ns; 0 when it was not."""
    asleep = (new.boot_ns - new.after_ns) - (old.boot_ns - old.before_ns)
    return asleep if asleep >= limits.asleep_ns else 0


def steal_ratio(old: Beat, new: Beat) -> float:
    """Share of all processors' time between two beats that the hypervisor took; 0 when no tick passed."""
    total = new.cpu_total - old.cpu_total
    return min(max((new.cpu_steal - old.cpu_steal) / total, 0.0), 1.0) if total > 0 else 0.0


class MachineTrouble:
    """Holds the beats' findings and vets samples by them."""

    def __init__(self, agent: str, limits: TroubleLimits | None = None) -> None:
        self._agent = agent
        self._limits = limits or USUAL
        self._last: Beat | None = None
        self._troubles: deque[Trouble] = deque()

    def beat(self, beat: Beat) -> list[Reading]:
        """Take in one look; the readings to be kept of it. The first beat has nothing to compare with."""
        last, self._last = self._last, beat
        if last is None:
            return []
        while self._troubles and self._troubles[0].until_ns < beat.after_ns:
            self._troubles.popleft()
        slept = slept_ns(last, beat, self._limits)
        step = stepped_ns(last, beat, self._limits)
        steal = steal_ratio(last, beat)
        if slept:
            self._add(Fate.ASLEEP, last, beat)
        if step:
            self._add(Fate.CLOCK_STEP, last, beat)
        if steal >= self._limits.steal_ratio or beat.lateness_ns >= self._limits.late_ns:
            self._add(Fate.BUSY, last, beat)
        values = {
            "loop_lateness_s": beat.lateness_ns / NS_PER_S,
            "steal_ratio": steal,
            "send_failures": float(beat.send_failures),
            "suspended_s": slept / NS_PER_S,
            "clock_step_s": step / NS_PER_S,
        }
        return [
            Reading(at_ns=beat.utc_ns, agent=self._agent, name=name, value=value)
            for name, value in values.items()
        ]

    def _add(self, fate: Fate, last: Beat, beat: Beat) -> None:
        # A loop found late at this beat may have been late since before the last one, when its timer was due;
        # and when the clock was set, either clock may have stamped any packet of the time that passed.
        passed = beat.after_ns - last.before_ns
        self._troubles.append(
            Trouble(
                fate=fate,
                start_ns=min(last.utc_ns, beat.utc_ns - max(passed, beat.lateness_ns)),
                end_ns=max(beat.utc_ns, last.utc_ns + passed),
                until_ns=beat.after_ns + _KEEP_NS,
            )
        )

    def vet(self, sample: Sample, wait_ns: int) -> Sample:
        """The sample itself, or set aside when it was under way during trouble.

        A sample was under way from its send time until its answer, or for the whole waiting time when lost.
        When several troubles meet, the one that explains most is told: asleep, then clock step, then busy.
        """
        if not self._troubles or sample.fate.set_aside:
            return sample
        end = sample.sent_ns + (sample.rtt_ns if sample.rtt_ns is not None else wait_ns)
        met = {t.fate for t in self._troubles if t.start_ns <= end and sample.sent_ns <= t.end_ns}
        for fate in (Fate.ASLEEP, Fate.CLOCK_STEP, Fate.BUSY):
            if fate in met:
                return replace(sample, fate=fate, rtt_ns=None, out_ns=None, queue_ns=None)
        return sample
