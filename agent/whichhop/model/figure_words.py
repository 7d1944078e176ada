"""How times, lengths of time, shares and probabilities are told to people.

"12 %" has its blank by ISO 80000-1 (7.1.4).
"""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta, tzinfo

from whichhop.model.home import Home
from whichhop.model.units import NS_PER_S

TOO_LITTLE_YET = "Not determined yet: too little has been measured; nothing has become worse so far."
"""The answer without a verdict while it is not known whether something was wrong before measuring began."""
_SHORT = (
    "Less than three minutes could be judged: whether {} was wrong before measuring began is not known yet;"
    " measure on, and ask again."
)
TOO_SHORT = _SHORT.format("something")
ELSE_TOO_SHORT = _SHORT.format("anything else")
"""The same beside what was found to be wrong before measuring began."""


def listed(words: Sequence[str]) -> str:
    """A list with "and" before its last; one word alone stays as it is."""
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def zone_of(home: Home) -> tzinfo | None:
    """The home's zone; None takes this machine's, as where a small box carries no time zones at all."""
    if not home.zone:
        return None
    from zoneinfo import ZoneInfo  # noqa: PLC0415 - a third of a megabyte, for homes that name their zone

    try:
        return ZoneInfo(home.zone)
    except (KeyError, ValueError, OSError):
        return None


def utc_of(at_ns: int) -> datetime:
    """An instant to the second, as UTC."""
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=at_ns // NS_PER_S)


def zone_words(at: datetime) -> str:
    """The zone's name and offset, such as "CET (UTC+1)"; "UTC" alone where it is that."""
    seconds = int((at.utcoffset() or timedelta()).total_seconds())
    hours, minutes = divmod(abs(seconds) // 60, 60)
    offset = f"UTC{'-' if seconds < 0 else '+'}{hours}" + (f":{minutes:02}" if minutes else "")
    name = at.tzname() or ""
    if name == "UTC" and not seconds:
        return "UTC"
    # Zones without letters of their own are named by their offset in the time zone data, such as +0545.
    return f"{name} ({offset})" if name.isalpha() else offset


def instant_words(at_ns: int, zone: tzinfo | None) -> str:
    """Date, time to the second, and zone; zone: None takes this machine's."""
    at = utc_of(at_ns).astimezone(zone)
    return f"{at:%Y-%m-%d %H:%M:%S} {zone_words(at)}"


def clock_words(at_ns: int, zone: tzinfo | None, *, seconds: bool = True) -> str:
    """The time of day, with its zone where a change of time has it twice that day. zone: as above."""
    at = utc_of(at_ns).astimezone(zone)
    text = f"{at:%H:%M:%S}" if seconds else f"{at:%H:%M}"
    # Where no zone is given the machine's is asked by its bare clock.
    either = [
        (at.replace(tzinfo=None, fold=f).astimezone() if zone is None else at.replace(fold=f)).utcoffset()
        for f in (0, 1)
    ]
    return f"{text} {zone_words(at)}" if either[0] != either[1] else text


def how_long(seconds: float) -> str:
    """A length of time in the two largest fitting units."""
    whole = round(seconds)
    for size, name, below, small in ((86400, "d", 3600, "h"), (3600, "h", 60, "min"), (60, "min", 1, "s")):
        if whole >= size:
            rest = whole % size // below
            return f"{whole // size} {name}" + (f" {rest} {small}" if rest else "")
    return f"{whole} s"


def percent(share: float, places: int = 0) -> str:
    """The share (1 is the whole) in percent; what only rounds to nothing or to all does not read as that.

    places: of what is under one percent one more, as loss is where reports tell it.
    """
    places += bool(places) and share < 0.01
    text = f"{share:.{places}%}"
    if places and float(text[:-1]) in (0.0, 100.0):
        least = f"{10**-places:.{places}f}"
        some, most = f"under {least} %", f"over {100 - 10**-places:.{places}f} %"
        return {0.0: "0 %", 1.0: "100 %"}.get(share, some if share < 0.5 else most)
    return text.replace("%", " %")


def lost_words(share: float) -> str:
    """How many packets were lost: "2.1 % of the packets were lost", "no packet was lost"."""
    if share >= 0.0005:
        return f"{percent(share, 1)} of the packets were lost"
    return "under 0.1 % of the packets were lost" if share else "no packet was lost"


def probability_words(probability: float) -> str:
    """A probability as a reader may take it: no evidence makes anybody 100 % sure, nor 0 %."""
    if probability > 0.99:
        return "over 99 %"
    return "under 1 %" if probability < 0.01 else percent(probability)
