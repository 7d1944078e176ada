"""The live state as metric families, in the form asked for."""

import sys
from collections.abc import Iterable, Iterator, Mapping

from whichhop import __version__
from whichhop.cabling.level_readings import metric_rows
from whichhop.model import Fate, ModemLevels, SessionKey
from whichhop.printable import printable
from whichhop.serve.catalogue import BUCKETS_S, CATALOGUE, SESSION
from whichhop.serve.exposition import HOME, Family, Labels, openmetrics, plain
from whichhop.serve.live import LiveState, SessionState

OPENMETRICS = "application/openmetrics-text"
_DIRECTIONS = {"from-agent": Fate.LOST_OUT, "to-agent": Fate.LOST_BACK, "unknown": Fate.LOST}
_REASONS = {
    "not-sent": Fate.NOT_SENT,
    "asleep": Fate.ASLEEP,
    "clock-step": Fate.CLOCK_STEP,
    "busy": Fate.BUSY,
}
_REFUSALS = {"key": Fate.REFUSED_KEY, "address": Fate.REFUSED_ADDRESS, "other": Fate.REFUSED}
_Session = tuple[Labels, SessionState]


def _simple(name: str, values: Iterable[tuple[Labels, float]]) -> Family:
    """A family of counters or gauges, one sample for each set of labels."""
    family = Family(CATALOGUE[name])
    for labels, value in values:
        family.add(labels, value)
    return family


def _info(name: str, labels: Labels) -> Family:
    return _simple(name, [(labels, 1)])


_BOUNDS = (*map(str, BUCKETS_S), "+Inf")


def _round_trips(sessions: list[_Session]) -> Family:
    family = Family(CATALOGUE["round_trip_seconds"])
    for labels, state in sessions:
        family.add_histogram(labels, _BOUNDS, state.buckets, state.rtt_sum_ns / 1e9)
    return family


MOST_STEP = 240
"""Characters of a recommendation in a label: a line of a list of homes."""


class LiveFamilies:
    """Every family that has a value now, in the catalogue's order."""

    def __init__(self, live: LiveState) -> None:
        self._live = live

    def __iter__(self) -> Iterator[Family]:
        live = self._live
        yield _info("build", {"version": __version__, "python": sys.version.split()[0]})
        yield _info("agent", {"agent": live.agent})
        yield from self._of_sessions([(_labels(key), state) for key, state in live.sessions()])
        skipped = live.skipped()
        if skipped:
            yield _simple("packets_skipped", [(_labels(k), skipped.get(k, 0)) for k, _ in live.sessions()])
        agent = {"agent": live.agent}
        for name, row in CATALOGUE.items():
            if row.labels == (HOME, "agent") and name in live.values:
                yield _simple(name, [(agent, live.values[name])])
        if live.failures:
            failures = [({**agent, "part": part}, n) for part, n in sorted(live.failures.items())]
            yield _simple("part_failures", failures)
        for name, counts in live.by_reason.items():
            yield _simple(name, [({**agent, "reason": r}, n) for r, n in sorted(counts.items())])
        yield from self._of_modems(live.modems)
        yield from self._of_targets(live)
        if live.faults:
            yield _simple("fault_probability_ratio", [({"element": e}, p) for e, p in live.faults.items()])
        yield from self._of_the_home(live)
        if live.levels:
            levels = [({"link": link}, level) for link, (level, _) in live.levels.items()]
            yield _simple("link_level_seconds", levels)
            usual = [({"link": link}, most) for link, (_, most) in live.levels.items() if most is not None]
            yield _simple("link_level_most_seconds", usual)

    @staticmethod
    def _of_the_home(live: LiveState) -> Iterator[Family]:
        """What the comparer says of the whole home; a fault is one series, so that it rings once."""
        if live.judged is None:
            return
        faults = {(str(v.cause), " or ".join(v.elements)): v for v in live.judged.ongoing}
        named = [({"cause": c, "elements": e}, v) for (c, e), v in sorted(faults.items())]
        if named:
            yield _simple("ongoing_fault_probability_ratio", [(at, v.probability) for at, v in named])
        inner = {
            (" or ".join(v.elements), str(reason.cause)): reason.probability
            for v in live.judged.ongoing
            if v.inside is not None
            for reason in v.inside.reasons
        }
        if inner:
            rows = [({"elements": e, "inner_cause": c}, p) for (e, c), p in sorted(inner.items())]
            yield _simple("inner_cause_probability_ratio", rows)
        began = [(at, v.start_ns / 1e9) for at, v in named if not v.standing]
        if began:
            yield _simple("ongoing_fault_start_timestamp_seconds", began)
        yield _simple("home_state", [({"state": str(live.judged.state)}, 1)])
        yield _simple("home_judged_timestamp_seconds", [({}, live.judged.at_ns / 1e9)])
        for step in live.judged.steps[:1]:
            yield _info("next_step", {"step": printable(" ".join(step.split()), MOST_STEP)})

    @staticmethod
    def _of_modems(modems: Mapping[str, ModemLevels | None]) -> Iterator[Family]:
        if not modems:
            return
        by_name: dict[str, list[tuple[Labels, float]]] = {}
        for levels in modems.values():
            for row in metric_rows(levels) if levels is not None else ():
                by_name.setdefault(row.name, []).append((dict(row.labels), row.value))
        yield from (_simple(name, by_name[name]) for name in CATALOGUE if name in by_name)
        yield _simple(
            "modem_readable", [({"node": n}, float(levels is not None)) for n, levels in modems.items()]
        )
        read = [({"node": n}, levels.at_ns / 1e9) for n, levels in modems.items() if levels is not None]
        if read:
            yield _simple("modem_read_timestamp_seconds", read)

    @staticmethod
    def _of_targets(live: LiveState) -> Iterator[Family]:
        by_name: dict[str, list[tuple[Labels, float]]] = {}
        for (name, target), value in sorted(live.of_targets.items()):
            by_name.setdefault(name, []).append(({"agent": live.agent, "target": target}, value))
        for name, values in by_name.items():
            yield _simple(name, values)

    @staticmethod
    def _of_sessions(sessions: list[_Session]) -> Iterator[Family]:
        if not sessions:
            return
        yield _round_trips(sessions)
        yield _simple("packets_sent", [(names, s.sent) for names, s in sessions])
        yield _simple(
            "packets_lost",
            [({**n, "direction": d}, s.fates[f]) for n, s in sessions for d, f in _DIRECTIONS.items()],
        )
        yield _simple("packets_late", [(n, s.fates[Fate.LATE]) for n, s in sessions])
        yield _simple(
            "packets_not_judged",
            [({**n, "reason": r}, s.fates[f]) for n, s in sessions for r, f in _REASONS.items()],
        )
        yield _simple(
            "packets_refused",
            [({**n, "reason": r}, s.fates[f]) for n, s in sessions for r, f in _REFUSALS.items()],
        )
        yield _simple("packets_duplicated", [(n, s.duplicates) for n, s in sessions])
        yield _simple("packets_reordered", [(n, s.reordered) for n, s in sessions])
        known = [(n, s.clock_error_ns / 1e9) for n, s in sessions if s.clock_error_ns is not None]
        if known:
            yield _simple("session_clock_error_seconds", known)
        seen = [(n, s.last_sent_ns / 1e9) for n, s in sessions if s.last_sent_ns is not None]
        if seen:
            yield _simple("session_last_sample_timestamp_seconds", seen)


def _labels(key: SessionKey) -> Labels:
    return dict(zip(SESSION, (key.agent, key.target, str(key.method)), strict=True))


def _wants_openmetrics(accept: str) -> bool:
    """Whether an Accept header (RFC 9110 12.5.1) names OpenMetrics 1.x, or without a version; q=0 is a no.

    A stranger's version is never taken over into the answer.
    """
    for part in accept.split(","):
        media, *parameters = (word.strip().lower() for word in part.split(";"))
        refused = any(p.startswith("q=") and not p[2:].strip("0.") for p in parameters)
        versions = [p.removeprefix("version=") for p in parameters if p.startswith("version=")]
        if media == OPENMETRICS and not refused and all(v.startswith("1.") for v in versions):
            return True
    return False


def exposition(live: LiveState, accept: str) -> tuple[bytes, str]:
    """The metrics and their content type, OpenMetrics 1.0 when the Accept header asks for it."""
    families, common = LiveFamilies(live), {HOME: live.home}
    if _wants_openmetrics(accept):
        return openmetrics(families, common), f"{OPENMETRICS}; version=1.0.0; charset=utf-8"
    return plain(families, common), "text/plain; version=0.0.4; charset=utf-8"
