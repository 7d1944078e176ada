"""Where an axis carries its marks: round numbers for values, round local hours for time."""

import math
from datetime import timedelta
from zoneinfo import ZoneInfo

from whichhop.model.time_words import utc_of
from whichhop.model.units import NS_PER_S

_STEPS_S = (10, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200)
_DAYS = (1, 2, 5, 7, 14, 30)


def nice_top(value: float) -> tuple[float, float]:
    """A round top at or over `value`, and a step that divides it in four or five."""
    if value <= 0:
        return 1.0, 0.25
    size = 10.0 ** math.floor(math.log10(value))
    for top, step in ((1, 0.25), (2, 0.5), (2.5, 0.5), (4, 1), (5, 1), (8, 2), (10, 2.5)):
        if value <= top * size * (1 + 1e-9):
            return top * size, step * size
    return 10 * size, 2.5 * size


def time_marks(start_ns: int, end_ns: int, zone: ZoneInfo, most: int = 8) -> list[tuple[int, str]]:
    """Instants and their local words, at most `most`; midnight carries the date.

    Marks lie on round local times, so that after a clock change they are round still.
    """
    length_s = (end_ns - start_ns) / NS_PER_S
    if length_s > most * _STEPS_S[-1]:
        return _day_marks(start_ns, end_ns, zone, most)
    step = next((s for s in _STEPS_S if length_s / s <= most), _STEPS_S[-1])
    out: list[tuple[int, str]] = []
    at = utc_of(start_ns)
    before = None
    slot = min(step, 900)  # offsets are whole quarters of an hour
    second = int(at.timestamp()) // slot * slot
    while second * NS_PER_S <= end_ns:
        here = utc_of(second * NS_PER_S).astimezone(zone)
        of_day = here.hour * 3600 + here.minute * 60 + here.second
        if second * NS_PER_S >= start_ns and of_day % step == 0:
            words = f"{here:%H:%M:%S}" if step < 60 else f"{here:%H:%M}"
            if of_day == 0 or not out:
                words = f"{here:%m-%d} {words}"
            if before not in (None, here.utcoffset()):
                words += " (clock changed)"
            before = here.utcoffset()
            out.append((second * NS_PER_S, words))
        second += slot
    return out


def _day_marks(start_ns: int, end_ns: int, zone: ZoneInfo, most: int) -> list[tuple[int, str]]:
    days = (end_ns - start_ns) / NS_PER_S / 86400
    step = next((d for d in _DAYS if days / d <= most), math.ceil(days / most))
    day = utc_of(start_ns).astimezone(zone).replace(hour=0, minute=0, second=0)
    out: list[tuple[int, str]] = []
    while True:
        at_ns = int(day.timestamp()) * NS_PER_S
        if at_ns > end_ns:
            return out
        if at_ns >= start_ns:
            out.append((at_ns, f"{day:%m-%d}"))
        day = day + timedelta(days=step)  # wall-clock arithmetic: midnight stays midnight
