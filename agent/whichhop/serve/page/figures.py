"""Figures and instants as the page shows them: with units, in UTC, ready to be told in the viewer's zone."""

from datetime import datetime

from whichhop.model.time_words import how_long, utc_of
from whichhop.model.units import NS_PER_S
from whichhop.report.words import HARD, millis, percent, probability
from whichhop.serve.page.markup import Markup, join, tag

__all__ = ["added", "clock", "how_long", "millis", "percent", "probability", "rate", "share", "trip", "when"]

_G, _M, _K = 1e9, 1e6, 1e3


def trip(seconds: float) -> str:
    """A round trip; one too short for two decimals of a millisecond is not shown as nothing."""
    return millis(seconds) if seconds >= 1e-5 else f"under 0.01{HARD}ms"


def added(seconds: float) -> str:
    """Delay above the usual, with its sign; what rounds to nothing has none."""
    text = millis(seconds)
    return text if text.startswith(("0\u00a0", "-")) else f"+{text}"


def rate(bps: float) -> str:
    """A rate to three digits."""
    size, name = (_G, "Gbit/s") if bps >= _G else (_M, "Mbit/s") if bps >= _M else (_K, "kbit/s")
    value = bps / size
    digits = 0 if value >= 100 else 1 if value >= 10 else 2
    text = f"{value:.{digits}f}"
    return f"{text.rstrip('0').rstrip('.') if '.' in text else text}{HARD}{name}"


def _iso(at: datetime) -> str:
    return f"{at:%Y-%m-%dT%H:%M:%SZ}"


def clock(at_ns: int, now_ns: int) -> str:
    """An instant in UTC, without the zone's name; the day is told when it is not that of `now_ns`."""
    at, now = utc_of(at_ns), utc_of(now_ns)
    return f"{at:%H:%M}" if at.date() == now.date() else f"{at:%Y-%m-%d %H:%M}"


def when(start_ns: int, now_ns: int, end_ns: int | None = None) -> Markup:
    """An instant or a span; a script may turn its times into the viewer's zone and keep UTC beside them."""
    marks = [start_ns] if end_ns is None else [start_ns, end_ns]
    words = [clock(at, now_ns) for at in marks]
    shown = [tag("time", w, datetime=_iso(utc_of(at))) for at, w in zip(marks, words, strict=True)]
    said = f"{' to '.join(words)} UTC"
    both = shown[0] if len(shown) == 1 else join(shown[0], " to ", shown[1])
    return tag("span", both, " ", tag("span", "UTC", class_="utc", data_said=said), class_="when")


def ago(at_ns: int, now_ns: int) -> str:
    """How long since; whole minutes from one on, so that the page does not change with every second."""
    seconds = max(0, now_ns - at_ns) // NS_PER_S
    return how_long(seconds if seconds < 60 else seconds // 60 * 60)


def share(ratio: float) -> str:
    """A share of something in whole percent."""
    return f"{ratio * 100:.0f}{HARD}%"
