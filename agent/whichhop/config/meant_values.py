"""What somebody meant who wrote a value in a form that a home file does not take: the remedy's words."""

import re
import unicodedata
from collections.abc import Mapping, Sequence
from urllib.parse import urlsplit

from whichhop.config.load import KeyPath
from whichhop.config.schema import NAME_PATTERN
from whichhop.config.texts import address

_FACTORS: Mapping[str, Mapping[str, float]] = {
    "_mbps": {"k": 0.001, "g": 1000},
    "_mb": {"k": 0.001, "g": 1000, "t": 1_000_000},
    "mhz": {"k": 0.001, "g": 1000},
    "_days": {"d": 1, "w": 7, "m": 30, "y": 365},
    "_s": {"m": 60, "h": 3600},
}
"""By how a key ends, what another unit's first letter makes of a number."""
_WORDS = {"gig": 1000.0, "gigabit": 1000.0, "halfgig": 500.0, "fastethernet": 100.0}
_NUMBER = re.compile(r"\s*([+-]?\d[\d.,_ ]*)\s*(.*)", re.DOTALL)
_LONGEST = 80
"""Characters of a value that are looked at: no number, name or address of a home has more."""


def meant_name(value: object) -> str | None:
    """A usable name as near as possible to what was written; None where nothing of it can be used."""
    letters = unicodedata.normalize("NFKD", str(value)[:_LONGEST]).encode("ascii", "ignore").decode()
    plain = re.sub(r"[^a-z0-9]+", "-", letters.lower()).strip("-")
    if plain and plain[0].isdigit():
        plain = f"node-{plain}"
    plain = plain[:32].rstrip("-")
    return plain if re.match(NAME_PATTERN, plain) else None


def number_remedy(value: object, path: KeyPath, *, whole: bool) -> str:
    """What to write for a number that is none, with its unit taken into account where the key names one."""
    key = str(next((part for part in reversed(path) if isinstance(part, str)), ""))
    meant = _meant_number(value, key) if isinstance(value, str) else None
    if isinstance(meant, str):
        return meant
    if meant is None:
        return (
            "write a whole number, without quotes or unit"
            if whole
            else "write the number alone, without unit"
        )
    if whole and not meant.is_integer():
        return "write a whole number"
    return (
        f"write {meant:g}, the number alone" if abs(meant) < 1e5 else f"write {meant:.0f}, the number alone"
    )


def _meant_number(value: str, key: str) -> float | str | None:
    """The number in the unit that the key names; a remedy where another key is meant; None where none is."""
    text = value[:_LONGEST].strip()
    word = re.sub(r"[^a-z]", "", text.lower())
    if key.endswith("_mbps") and word in _WORDS and not re.search(r"\d", text):
        return _WORDS[word]
    found = _NUMBER.fullmatch(text)
    number = None if found is None else _plain_number(found[1])
    # What goes on after 1 in 1:30 or 1e9 is no unit.
    if found is None or number is None or re.match(r"(:|[eE][+-]?)\d", found[2]):
        return None
    unit = re.sub(r"[^a-z'\u2032]", "", found[2].lower())
    if key.endswith("_mbps") and re.match(r"[kKMGT]i?B|\w*[Bb]yte", found[2]):
        bits = number * _FACTORS["_mbps"].get(unit[:1], 1)
        return f"write {8 * bits:g} if that is bytes a second, {bits:g} if bits: the number alone"
    feet, metres = unit.startswith(("f", "'", "\u2032")), unit.startswith("m")
    if (key == "length_m" and feet) or (key == "length_ft" and metres):
        return f"write {'length_ft' if feet else 'length_m'}: {number:g}"
    for ending, factors in _FACTORS.items():
        if key.endswith(ending):
            return number * factors.get(unit[:1], 1)
    return number


def _plain_number(text: str) -> float | None:
    """A number with the marks for thousands and decimals that people use; None where it stays unclear."""
    text = re.sub(r"[ _]", "", text).rstrip(".,")
    if re.fullmatch(r"[+-]?\d{1,3}(,\d{3})+(\.\d+)?", text):
        text = text.replace(",", "")
    elif text.count(",") == 1 and "." not in text:
        text = text.replace(",", ".")
    try:
        return float(text)
    except ValueError:
        return None


def address_remedy(value: str) -> str:
    """What to write for an address that is none."""
    text = value[:_LONGEST].strip()
    bare = text.partition("%")[0]
    if bare != text:
        return "write it without the zone, which each agent adds; where an agent runs leave the address out"
    host = _host_of(bare)
    for tried, why in (
        (bare, "without blanks around it") if "/" not in bare else (bare.partition("/")[0], _without(bare)),
        (_ascii_digits(bare), "in plain digits"),
        (host, "the address alone"),
        (_without_zeros(bare), "without zeros in front"),
    ):
        if (usual := _usual(tried)) is not None:
            return f"write {usual}, {why}"
    for pattern, remedy in _NO_ADDRESSES:
        if re.fullmatch(pattern, bare.lower()):
            return remedy
    if re.fullmatch(r"[A-Za-z0-9-]+(\.[A-Za-z0-9-]+)*", host) and bare.count(":") < 2:
        return f"write the address that `ping {host}` shows"
    return "write an address such as 192.0.2.1"


_NO_ADDRESSES = (
    (
        r"([0-9a-f]{2}[:-]){5}[0-9a-f]{2}",
        "that is a hardware (MAC) address: write the IP address, or leave it out where an agent runs",
    ),
    (
        "dhcp|auto|automatic|dynamic|none|unknown",
        "leave it out where an agent runs, the others find it by its key; elsewhere write what it is now",
    ),
    (
        r"fe[89ab][0-9a-f]:.*",
        "write its IPv4 address, or an IPv6 address of its own that is good in the whole home",
    ),
    (
        r"0\.0\.0\.0|255\.255\.255\.255|2(2[4-9]|3\d)\.[\d.]+|ff[0-9a-f]{2}:.*|::",
        "write the address that this machine alone has",
    ),
    (r"[\d.]+", "write four numbers from 0 to 255 with dots between, such as 192.0.2.1"),
)
"""Forms of what is no machine's address, in small letters, and what to do about each."""


_LONGEST_NAME = 253
"""Of a host, in letters with its dots (RFC 1035, 2.3.4, less the octets of length around them)."""


def target_remedy(value: str) -> str:
    """What to write for a machine upstream that is neither a host name nor an address."""
    if re.fullmatch(r"[0-9a-fA-F.:]+/\d+", value):
        return "name one machine, not a network"
    host = _host_of(value[:_LONGEST_NAME].strip().partition("#")[0])
    if (
        len(value) <= _LONGEST_NAME
        and host != value
        and (_usual(host) or re.fullmatch(r"[A-Za-z0-9-]+(\.[A-Za-z0-9-]+)*\.[A-Za-z]+", host))
    ):
        return f"write {host}, the host alone"
    return "write one host name such as harbour.example.net, or one address"


def _host_of(text: str) -> str:
    """The host of an address with a scheme, port or path."""
    try:
        found = urlsplit(text if "//" in text else f"//{text}").hostname
    except ValueError:
        return text
    return found or text


def _without(text: str) -> str:
    return f"without the /{text.partition('/')[2]}"


def _ascii_digits(text: str) -> str:
    """With the digits of other scripts, and full-width ones, as plain ones (Unicode's NFKC)."""
    return "" if text.isascii() else unicodedata.normalize("NFKC", text)


def _without_zeros(text: str) -> str:
    parts = text.split(".")
    if len(parts) == 4 and all(part.isdigit() for part in parts):
        return ".".join(str(int(part)) for part in parts)
    return ""


def _usual(text: str) -> str | None:
    """An address that a home file takes, in its usual form; None where it takes none like that."""
    try:
        return address(text)
    except ValueError:
        return None


def hours_remedy(value: str) -> str:
    """What to write for a span of hours in another form."""
    found = re.findall(r"(\d{1,2})(?:[:.](\d{2}))?\s*([ap]m)?", value[:_LONGEST].lower())
    if len(found) != 2:
        return 'write both ends, such as "23:00-07:00"'
    ends = []
    for hour, minute, half in found:
        hours = int(hour) % 12 + 12 * (half == "pm") if half else int(hour) % 24
        ends.append(f"{hours:02d}:{int(minute or 0) % 60:02d}")
    return f'write "{ends[0]}-{ends[1]}"'


def zone_remedy(value: str, known: Sequence[str]) -> str:
    """The zone whose last part is the city that was written; else how zones are called."""
    wanted = "" if re.search(r"[\d+]", value) else re.sub(r"[^a-z]", "", value[:_LONGEST].lower())
    for name in known:
        if name.lower() == value[:_LONGEST].lower():
            return f"write {name}"
        if wanted and re.sub(r"[^a-z]", "", name.rpartition("/")[2].lower()) == wanted and "/" in name:
            return f"write {name}"
    return "write region and city as the IANA names them, such as Europe/Lisbon or America/Chicago"
