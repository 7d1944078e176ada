"""A modem's readings before and after a change as hourly series by group, alike with alike."""

from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise
from statistics import median

from msgspec import Struct
from msgspec.structs import replace

from whichhop.cabling.codewords import CounterState
from whichhop.cabling.judge_levels import deltas_between
from whichhop.model.channel import MULTI_CARRIER, Channel, Direction, LevelSeries, ModemLevels
from whichhop.model.units import NS_PER_S

HOUR_NS = 3600 * NS_PER_S
SAME_SHARE = 0.5
"""Channels are matched by their ids while at least this share of the fewer side's is on both sides."""

_Key = Callable[[Channel], object]


def _group(channel: Channel) -> str:
    return f"{channel.direction} {channel.carrier}"


def _live(reading: ModemLevels, group: str) -> Iterable[Channel]:
    return (c for c in reading.channels if _group(c) == group and c.locked is not False)


def _keys(readings: Sequence[ModemLevels], group: str, key: _Key) -> set[object]:
    return {key(c) for r in readings for c in _live(r, group)} - {None}


class _Side(Struct, frozen=True, kw_only=True):
    """One side's readings of one group, of which only the channels in `kept` are looked at."""

    readings: Sequence[ModemLevels]
    group: str
    key: _Key
    kept: frozenset[object]

    def channels(self, reading: ModemLevels) -> list[Channel]:
        return [c for c in _live(reading, self.group) if self.key(c) in self.kept]

    def medians(self, fact: str) -> dict[int, float]:
        """Per hour the median over readings of the median over channels."""
        hours: dict[int, list[float]] = {}
        for reading in self.readings:
            values = [v for c in self.channels(reading) if (v := getattr(c, fact)) is not None]
            if values:
                hours.setdefault(reading.at_ns // HOUR_NS, []).append(median(values))
        return {hour: median(values) for hour, values in hours.items()}

    def codewords(self) -> dict[int, tuple[float, float]]:
        """Per hour uncorrectable codewords and all, as differences between readings, never totals."""
        hours: dict[int, tuple[float, float]] = {}
        for old, new in pairwise(self.readings):
            names = {c.name for c in self.channels(new)}
            for name, delta in deltas_between(old, new).items():
                if name not in names or delta.total is None or delta.uncorrectable is None:
                    continue
                if delta.state in (CounterState.RAN, CounterState.WRAPPED):
                    hits, total = hours.get(new.at_ns // HOUR_NS, (0.0, 0.0))
                    hours[new.at_ns // HOUR_NS] = (hits + delta.uncorrectable, total + delta.total)
        return hours


def _alike(
    before: Sequence[ModemLevels], after: Sequence[ModemLevels], group: str
) -> tuple[_Side, _Side, str] | None:
    """The channels that both sides have, by id or else by frequency, with what is to be said of it."""
    remark = ""
    for key, how in ((lambda c: c.name, "id"), (lambda c: c.frequency_hz, "frequency")):
        old, new = _keys(before, group, key), _keys(after, group, key)
        both = frozenset(old & new)
        if both and len(both) >= SAME_SHARE * min(len(old), len(new)):
            sides = [_Side(readings=r, group=group, key=key, kept=both) for r in (before, after)]
            if how == "frequency":
                remark = (
                    f"{group}: channel ids changed (a new modem, or channels moved); matched by frequency"
                )
            elif len(both) < max(len(old), len(new)):
                remark = f"{group}: {len(both)} channels are on both sides; the others are left out"
            return sides[0], sides[1], remark
    return None


def _of_group(
    before: Sequence[ModemLevels], after: Sequence[ModemLevels], group: str
) -> tuple[list[LevelSeries], str]:
    found = _alike(before, after, group)
    if found is None:
        return [], f"{group}: no channel is on both sides; a replaced modem or moved channels tell nothing"
    old, new, remark = found
    first = next(c for r in before for c in _live(r, group))
    middle = [c.frequency_hz for r in after[-1:] for c in new.channels(r) if c.frequency_hz]
    base = LevelSeries(
        group=group,
        direction=first.direction,
        fact="power_dbmv" if first.direction is Direction.DOWN else "transmit_dbmv",
        channels=len(old.kept),
        frequency_hz=median(middle) if middle and first.carrier not in MULTI_CARRIER else None,
    )
    out = [replace(base, before=old.medians("power_dbmv"), after=new.medians("power_dbmv"))]
    if first.direction is Direction.DOWN:
        out.append(replace(base, fact="mer_db", before=old.medians("mer_db"), after=new.medians("mer_db")))
        counted = replace(
            base, fact="uncorrectable", counts_before=old.codewords(), counts_after=new.codewords()
        )
        out.append(counted)
    return out, remark


def _by_hour(pairs: Iterable[tuple[int, float | None]]) -> dict[int, float]:
    hours: dict[int, list[float]] = {}
    for at_ns, value in pairs:
        if value is not None:
            hours.setdefault(at_ns // HOUR_NS, []).append(value)
    return {hour: median(values) for hour, values in hours.items()}


def _dsl_facts(readings: Sequence[ModemLevels], way: Direction, fact: str) -> dict[int, float]:
    rows = ((r.at_ns, line) for r in readings for line in r.dsl if line.direction is way)
    return _by_hour((at, getattr(line, fact)) for at, line in rows)


def level_series(
    before: Sequence[ModemLevels], after: Sequence[ModemLevels]
) -> tuple[tuple[LevelSeries, ...], tuple[str, ...]]:
    """The groups of one modem that both sides tell of, and remarks on what could not be matched.

    before, after: its readings, oldest first. Groups are channels of one direction and carrier, a DSL line's
    directions, and the light of a fibre.
    """
    out: list[LevelSeries] = []
    remarks: list[str] = []
    groups = dict.fromkeys(_group(c) for r in before for c in r.channels if c.locked is not False)
    later = {_group(c) for r in after for c in r.channels if c.locked is not False}
    for group in groups:
        if group not in later:
            remarks.append(f"{group}: there is no such channel any more")
            continue
        series, remark = _of_group(before, after, group)
        out += series
        remarks += [remark] if remark else []
    for way in Direction:
        for fact in ("margin_db", "attenuation_db", "rate_bps"):
            old, new = _dsl_facts(before, way, fact), _dsl_facts(after, way, fact)
            out.append(LevelSeries(group=f"{way} dsl", direction=way, fact=fact, before=old, after=new))
    old, new = (_by_hour((r.at_ns, r.receive_dbm) for r in side) for side in (before, after))
    out.append(
        LevelSeries(group="light", direction=Direction.DOWN, fact="receive_dbm", before=old, after=new)
    )
    kept = (s for s in out if (s.before and s.after) or (s.counts_before and s.counts_after))
    return tuple(kept), tuple(remarks)
