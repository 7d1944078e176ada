"""Markup that escapes whatever it did not build, and figures and instants as the page shows them."""

from collections.abc import Iterable
from datetime import datetime

from whichhop.model.figure_words import how_long, utc_of
from whichhop.model.units import NS_PER_S
from whichhop.report.words import HARD, millis, percent, probability

Attribute = str | float | bool | None
_ESCAPES = str.maketrans({"&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;", "'": "&#x27;"})
_VOID = frozenset({"link", "meta", "rect", "line", "path", "circle"})
"""Elements without an end; those of SVG are closed at once."""

__all__ = ["added", "clock", "how_long", "millis", "percent", "probability", "rate", "share", "trip", "when"]

_G, _M, _K = 1e9, 1e6, 1e3


class Markup(str):
    """HTML as it stands; only `tag` and `join` make it, so a plain `str` is always text from elsewhere."""

    __slots__ = ()


Inside = str | Iterable["Inside"] | None


def join(*inside: Inside) -> Markup:
    """Several pieces in a row; plain text is escaped, None is nothing."""
    return Markup("".join(_piece(one) for one in inside))


def escape(text: str) -> str:
    """As html.escape, which comes with all two thousand entities of HTML: half a megabyte."""
    return text.translate(_ESCAPES)


def _piece(one: Inside) -> str:
    if one is None:
        return ""
    if isinstance(one, Markup):
        return one
    if isinstance(one, str):
        return escape(one)
    return join(*one)


def tag(name: str, /, *inside: Inside, **attributes: Attribute) -> Markup:
    """One element. `class_` is class, `aria_label` is aria-label; None and False leave an attribute out."""
    words = [name]
    for key, value in attributes.items():
        known = key.rstrip("_").replace("_", "-")
        if value is True:
            words.append(known)
        elif value is not None and value is not False:
            shown = f"{value:.2f}" if isinstance(value, float) else str(value)
            words.append(f'{known}="{escape(shown)}"')
    head = " ".join(words)
    if name in _VOID:
        return Markup(f"<{head}>" if name in ("link", "meta") else f"<{head}/>")
    return Markup(f"<{head}>{join(*inside)}</{name}>")


def unseen(*inside: Inside) -> Markup:
    """Words for those who hear the page."""
    return tag("span", *inside, class_="unseen")


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
