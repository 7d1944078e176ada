"""The modem's levels over time beside the loss on the line, and each channel's span; pure."""

from collections.abc import Callable, Sequence
from itertools import pairwise

from whichhop.cabling.codewords import CounterState
from whichhop.cabling.judge_levels import deltas_between, judge
from whichhop.cabling.rules import LevelStanding
from whichhop.model import Channel, Direction, ModemLevels
from whichhop.model.dossier import ChannelRow, LevelTime

MOST_TIMES = 24
"""Rows in the table over time: an hour each in a day."""
Loss = Callable[[int, int], tuple[int, int]]
"""Test packets over the line sent and lost between two instants (UTC ns)."""


def _sum(values: Sequence[int | None]) -> int | None:
    known = [v for v in values if v is not None]
    return sum(known) if known else None


def _grown(old: int | None, new: int | None) -> int | None:
    """What a running count grew by; None where it was set back, which tells nothing of when."""
    return new - old if old is not None and new is not None and new >= old else None


def _timeouts(old: Channel, new: Channel) -> int | None:
    return _sum([_grown(old.t3_timeouts, new.t3_timeouts), _grown(old.t4_timeouts, new.t4_timeouts)])


def _counted(before: ModemLevels, after: ModemLevels) -> tuple[int | None, int | None, int | None]:
    """Uncorrectable codewords, all codewords and ranging time-outs from one reading to the next."""
    ran = [d for d in deltas_between(before, after).values() if d.state is not CounterState.RESET]
    old = {c.name: c for c in before.channels}
    waits = [_timeouts(old[c.name], c) for c in after.direction(Direction.UP) if c.name in old]
    return _sum([d.uncorrectable for d in ran]), _sum([d.total for d in ran]), _sum(waits)


def _low(values: Sequence[float | None]) -> float | None:
    return min((v for v in values if v is not None), default=None)


def _high(values: Sequence[float | None]) -> float | None:
    return max((v for v in values if v is not None), default=None)


def level_times(history: Sequence[ModemLevels], loss: Loss) -> tuple[LevelTime, ...]:
    """At most `MOST_TIMES` rows of one modem's readings, oldest first, neighbours taken together evenly."""
    spans = list(pairwise(history))
    if not spans:
        return ()
    each = -(-len(spans) // MOST_TIMES)
    out = []
    for first in range(0, len(spans), each):
        part = spans[first : first + each]
        start_ns, end_ns = part[0][0].at_ns, part[-1][1].at_ns
        read = [after for _, after in part]
        down = [c for r in read for c in r.direction(Direction.DOWN) if c.locked is not False]
        sent_up = [c.power_dbmv for r in read for c in r.direction(Direction.UP) if c.locked is not False]
        counts = [_counted(*pair) for pair in part]
        sent, lost = loss(start_ns, end_ns)
        out.append(
            LevelTime(
                start_ns=start_ns,
                end_ns=end_ns,
                readings=len(part),
                down_low_dbmv=_low([c.power_dbmv for c in down]),
                down_high_dbmv=_high([c.power_dbmv for c in down]),
                snr_low_db=_low([c.mer_db for c in down]),
                up_high_dbmv=_high(sent_up),
                uncorrectable=_sum([c[0] for c in counts]),
                codewords=_sum([c[1] for c in counts]),
                timeouts=_sum([c[2] for c in counts]),
                sent=sent,
                lost=lost,
            )
        )
    return tuple(out)


def _standings(history: Sequence[ModemLevels]) -> dict[str, LevelStanding]:
    """By channel the worst that any rule says of it in the newest reading, the others' number considered."""
    before = history[-2] if len(history) > 1 else None
    out: dict[str, LevelStanding] = {}
    for f in judge(history[-1], before).findings:
        known = out.get(f.about)
        if f.standing is not LevelStanding.UNKNOWN and (known is None or f.standing.weight > known.weight):
            out[f.about] = f.standing
    return out


def channel_rows(history: Sequence[ModemLevels]) -> tuple[ChannelRow, ...]:
    """A row for each channel of one modem's last reading, in its order."""
    if not history:
        return ()
    of: dict[str, list[Channel]] = {}
    for reading in history:
        for c in reading.channels:
            of.setdefault(c.name, []).append(c)
    standings = _standings(history)
    counts: dict[str, list[tuple[int | None, int | None]]] = {}
    for before, after in pairwise(history):
        for name, d in deltas_between(before, after).items():
            if d.state is not CounterState.RESET:
                counts.setdefault(name, []).append((d.corrected, d.uncorrectable))
    out = []
    for c in history[-1].channels:
        seen, counted = of[c.name], counts.get(c.name, [])
        out.append(
            ChannelRow(
                name=c.name,
                frequency_hz=c.frequency_hz,
                modulation=c.modulation_words,
                power_dbmv=c.power_dbmv,
                low_dbmv=_low([s.power_dbmv for s in seen]),
                high_dbmv=_high([s.power_dbmv for s in seen]),
                snr_db=c.mer_db,
                snr_low_db=_low([s.mer_db for s in seen]),
                corrected=_sum([k for k, _ in counted]),
                uncorrectable=_sum([u for _, u in counted]),
                timeouts=_sum([_timeouts(a, b) for a, b in pairwise(seen)]),
                standing=str(standings.get(c.name, LevelStanding.UNKNOWN)),
            )
        )
    return tuple(out)
