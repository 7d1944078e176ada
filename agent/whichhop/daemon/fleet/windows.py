"""From samples and readings to the windows that a fleet's server keeps, in few series. Pure."""

from collections.abc import Iterable
from itertools import groupby
from math import frexp, ldexp

from msgspec import Struct, field

from whichhop.cabling.level_readings import PREFIX as LEVELS
from whichhop.daemon.minutes import SETTLE_NS
from whichhop.model import Fate, Reading, Record, Sample, SessionKey
from whichhop.model.fleet import PREFIX, Labels, Series, WindowMetric
from whichhop.model.transfer import BEGINS, SECONDS, figure_of
from whichhop.model.units import NS_PER_S
from whichhop.stats.ordered import quantile_of

WINDOW_NS = 10 * NS_PER_S
"""The comparer's window; they lie on its multiples since the epoch."""
LEAST_ANSWERS = 3
SLOW_NS = 25_000_000
EXCESS_CAP_NS = 300_000_000
"""As compare/windows/table.py has them, which this process must not load; a test holds them together."""
INFO_WINDOWS = 6
"""Who an agent is, is told once a minute: a server takes a value as new for five."""
MANTISSA_BITS = 12
"""Of a delay are kept: within 0.025 %, far under what ten packets tell, and half the octets on a disk."""
_OF_READINGS = {
    "loop_lateness_s": WindowMetric.LATENESS,
    "wan_rx_bytes": WindowMetric.RECEIVED,
    "wan_tx_bytes": WindowMetric.TRANSMITTED,
}
_WAYS = {Fate.LOST_OUT: WindowMetric.LOST_OUT, Fate.LOST_BACK: WindowMetric.LOST_BACK}
STEAL, LEAST_STEAL = "steal_ratio", 0.05
"""Told from here on: the comparer asks whether it is above a quarter, and healthy machines have none."""
Point = tuple[int, float]


def short(seconds: float) -> float:
    """A delay with as many binary digits as are kept."""
    mantissa, exponent = frexp(seconds)
    return ldexp(round(ldexp(mantissa, MANTISSA_BITS)), exponent - MANTISSA_BITS)


def figures(samples: Iterable[Sample]) -> dict[WindowMetric, float]:
    """What one session's samples of one window come to; what is nought or not known is left out.

    NOT_JUDGED is the session's own; a server gets it added up over the agent's sessions.
    """
    rtts, lost, aside = [], 0, 0
    ways = {Fate.LOST_OUT: 0, Fate.LOST_BACK: 0}
    for sample in samples:
        if sample.fate is Fate.ANSWERED and sample.rtt_ns is not None:
            rtts.append(sample.rtt_ns)
        elif sample.fate.lost:
            lost += 1
            if sample.fate in ways:
                ways[sample.fate] += 1
        elif sample.fate.set_aside and not sample.fate.refused:
            aside += 1
    out: dict[WindowMetric, float] = {}
    if rtts or lost:
        out[WindowMetric.ANSWERED] = len(rtts)
    if lost:
        out[WindowMetric.LOST] = lost
        out |= {_WAYS[way]: count for way, count in ways.items() if count}
    if aside:
        out[WindowMetric.NOT_JUDGED] = aside
    if len(rtts) >= LEAST_ANSWERS:
        rtts.sort()
        median = quantile_of(rtts, 0.5)
        over = [min(max(rtt - median, 0.0), EXCESS_CAP_NS) for rtt in rtts]
        out[WindowMetric.MEDIAN] = short(median / NS_PER_S)
        out[WindowMetric.P80] = short(quantile_of(rtts, 0.8) / NS_PER_S)
        out[WindowMetric.EXCESS] = short(sum(over) / len(over) / NS_PER_S)
        if slow := sum(rtt - median >= SLOW_NS for rtt in rtts):
            out[WindowMetric.SLOW] = slow
    return out


class FleetWindows(Struct):
    """One agent's open windows. home, agent, region: the series' labels; keys: whose samples count.

    Call streams and sessions that the home file does not give are passed over, which bounds the series.
    """

    home: str
    agent: str
    region: str
    keys: frozenset[SessionKey]
    _open: dict[tuple[int, SessionKey], list[Sample]] = field(default_factory=dict)
    _closed: dict[tuple[str, Labels], list[Point]] = field(default_factory=dict)
    _stamps: dict[SessionKey, set[str]] = field(default_factory=dict)

    def observe(self, key: SessionKey, sample: Sample) -> None:
        """Put a sample into the window in which it was sent."""
        if key in self.keys:
            self._open.setdefault((sample.sent_ns // WINDOW_NS, key), []).append(sample)

    def kept(self, records: Iterable[Record], readings: Iterable[Reading]) -> None:
        """Take what the comparer reads beside samples: stamps, the machine's state, own use, transfers."""
        for record in records:
            if record.session in self.keys and Fate.ANSWERED in record.samples.fate:
                told = self._stamps.setdefault(record.session, set())
                told.update(record.stamps.split())
        levels = []
        for reading in readings:
            if reading.name.startswith(LEVELS):
                levels.append(reading)
            else:
                self._read(reading)
        if levels:
            # Only who reads a modem for a fleet needs the limits: the daemon is to stay small.
            from whichhop.cabling.beyond_limits import beyond_limits  # noqa: PLC0415

            for reading in beyond_limits(levels):
                self._add(WindowMetric.LEVEL, reading.at_ns, reading.value, reading=reading.name)

    def _read(self, reading: Reading) -> None:
        found = _OF_READINGS.get(reading.name)
        if reading.name == STEAL and reading.value >= LEAST_STEAL:
            found = WindowMetric.STEAL
        if found is not None:
            value = short(reading.value) if found is WindowMetric.LATENESS else reading.value
            self._add(found, reading.at_ns, value)
        elif (figure := figure_of(reading.name)) is not None and figure.name in (BEGINS, SECONDS):
            told = WindowMetric.TRANSFER_BEGINS if figure.name == BEGINS else WindowMetric.TRANSFER_LASTED
            self._add(told, reading.at_ns, reading.value, target=figure.other_end, way=figure.way)

    def _add(self, name: WindowMetric, at_ns: int, value: float, **more: str) -> None:
        labels = tuple(sorted({"home": self.home, "agent": self.agent, **more}.items()))
        points = self._closed.setdefault((PREFIX + name, labels), [])
        at_ms = at_ns // 1_000_000
        # A server takes one value a moment, and none older than the one before.
        if not points or at_ms > points[-1][0]:
            points.append((at_ms, value))

    def close(self, now_ns: int) -> list[Series]:
        """Every window whose last packet has had its waiting time, and what was told since the last call."""
        limit = (now_ns - SETTLE_NS) // WINDOW_NS
        due = sorted(at for at in self._open if at[0] < limit)
        for window, group in groupby(due, key=lambda at: at[0]):
            end_ns, aside = (window + 1) * WINDOW_NS, 0.0
            for at in group:
                found = figures(self._open.pop(at))
                aside += found.pop(WindowMetric.NOT_JUDGED, 0.0)
                session = {"target": at[1].target, "method": str(at[1].method)}
                for name, value in found.items():
                    self._add(name, end_ns, value, **session)
            if aside:
                self._add(WindowMetric.NOT_JUDGED, end_ns, aside)
            if (window + 1) % INFO_WINDOWS == 0:
                told = {"stamps": self._by()} | ({"region": self.region} if self.region else {})
                self._add(WindowMetric.AGENT, end_ns, 1.0, **told)
        closed, self._closed = self._closed, {}
        return [Series(name=n, labels=s, points=tuple(points)) for (n, s), points in closed.items()]

    def _by(self) -> str:
        """Who timed this agent's packets, as the comparer asks it: any session by the kernel at both ends."""
        if not self._stamps:
            return "unknown"
        return "kernel" if all(stamps >= {"T1", "T4"} for stamps in self._stamps.values()) else "program"
