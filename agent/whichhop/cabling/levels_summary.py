"""A modem's reading in one screen: how it stands, complaints of one kind together, what was not read."""

from collections.abc import Iterable, Iterator, Sequence

from msgspec import Struct

from whichhop.cabling.judge_levels import Judgement, LevelFinding
from whichhop.cabling.rules import LevelStanding
from whichhop.model.channel import MULTI_CARRIER, Channel, Direction, ModemLevels

WORD = {
    LevelStanding.FINE: "good",
    LevelStanding.MARGINAL: "marginal",
    LevelStanding.IMPLAUSIBLE: "doubtful",
    LevelStanding.OUTSIDE: "bad",
    LevelStanding.UNKNOWN: "not determined",
}
"""A standing as a reader is told it."""
UNCOUNTED = "codewords are not judged, which takes an earlier reading too"
_ORDER = (
    "no-service",
    "partial-service",
    "uncorrectable",
    "t4-rate",
    "down-power",
    "up-power",
    "snr",
    "t3-rate",
)
"""What is told first of complaints that are equally bad: what is felt most."""
_FAMILIES = {
    "snr-minimum": "snr",
    "snr-poor": "snr",
    "uncorrectable-felt": "uncorrectable",
    "uncorrectable-noticed": "uncorrectable",
}
"""Rules of which the stricter stands for both."""


class Complaint(Struct, frozen=True, kw_only=True):
    """What several channels have in common.

    worst: the finding that is furthest off. count: how many channels, of how many that were read; 0 of 0
    where it is about a whole direction.
    """

    standing: LevelStanding
    worst: LevelFinding
    count: int
    of: int

    @property
    def short(self) -> str:
        """What is wrong, where, how far off: one clause."""
        if not self.worst.subject:
            return self.worst.words
        many = f" on {self.count} of {self.of} channels, worst" if self.of > 1 else " on"
        where = f"{many} {self.worst.about}:" if self.of else ":"
        return f"{self.worst.subject} {self.side}{where} {self.worst.shown}"

    @property
    def side(self) -> str:
        """Too low or too high."""
        return "too low" if self.worst.too_low else "too high"

    @property
    def words(self) -> str:
        """The clause with what is wanted, from where, and what such a value usually means."""
        if not self.worst.subject:
            return self.short
        means = f"; {self.worst.means}" if self.worst.means else ""
        return f"{self.short}; wanted {self.worst.wanted} ({self.worst.source}){means}"


class LevelsSummary(Struct, frozen=True, kw_only=True):
    """One reading in short.

    standing: the worst of what was read. not_read: what the source did not tell, a clause each, never to be
    called good. uncounted: codewords were counted, but no earlier reading tells their share.
    unknown_columns: of the page, where something was not read that may stand in them. figures: the span of
    each kind of level.
    """

    standing: LevelStanding
    complaints: tuple[Complaint, ...]
    not_read: tuple[str, ...]
    uncounted: bool
    unknown_columns: tuple[str, ...]
    figures: tuple[str, ...]

    @property
    def word(self) -> str:
        """good, marginal, bad, doubtful or not determined."""
        return WORD[self.standing]

    @property
    def headline(self) -> str:
        """The answer in one line, without its end. Never "good" of what was not read."""
        lacking = f"; not read: {', '.join(self.not_read)}" if self.not_read else ""
        later = f"; {UNCOUNTED}" if self.uncounted else ""
        if self.complaints:
            more = len(self.complaints) - 1
            tail = f"; and {more} more complaint{'s' if more > 1 else ''}" if more else ""
            return f"{self.word.capitalize()}: {self.complaints[0].short}{tail}{lacking}"
        if self.standing is LevelStanding.UNKNOWN:
            return f"Not determined{lacking}"
        if lacking:
            return f"Nothing is wrong in what was read{lacking}"
        return f"Good: every level is inside what technicians aim for{later}"


def family_of(finding: LevelFinding) -> str:
    """The rule's name, one for the published limit and for what technicians aim for."""
    name = finding.rule.removesuffix("-specification").removesuffix("-practice")
    return _FAMILIES.get(name, name)


def _family(finding: LevelFinding) -> tuple[str, bool]:
    return family_of(finding), finding.too_low


def _complaints(judgement: Judgement, levels: ModemLevels) -> Iterator[Complaint]:
    kinds: dict[tuple[str, bool], list[LevelFinding]] = {}
    for finding in judgement.troubles:
        kinds.setdefault(_family(finding), []).append(finding)
    names = {c.name: c for c in levels.channels}
    for found in kinds.values():
        # Beyond a published limit first, then the furthest off.
        worst = max(found, key=lambda f: (f.standing.weight, f.off))
        about = {f.about for f in found} & names.keys()
        of = 0
        if worst.about in names:
            of = sum(
                c.direction is names[worst.about].direction and c.locked is not False for c in levels.channels
            )
        yield Complaint(standing=worst.standing, worst=worst, count=len(about), of=of)


def _missing(channels: Sequence[Channel], what: str, has: Iterable[bool]) -> Iterator[str]:
    lacking = len(channels) - sum(has)
    if lacking:
        yield what if lacking == len(channels) else f"{what} of {lacking} of {len(channels)} channels"


def _not_read(levels: ModemLevels) -> Iterator[str]:
    if levels.dsl or levels.receive_dbm is not None:
        if levels.dsl and all(line.margin_db is None for line in levels.dsl):
            yield "noise margin"
        return
    down, up = ([c for c in levels.direction(way) if c.locked is not False] for way in Direction)
    if not down:
        yield "downstream"
    if not up:
        yield "upstream"
    yield from _missing(down, "downstream power", (c.power_dbmv is not None for c in down))
    yield from _missing(down, "downstream SNR", (c.mer_db is not None for c in down))
    yield from _missing(down, "codewords", (c.uncorrectable is not None for c in down))
    yield from _missing(up, "upstream power", (c.power_dbmv is not None for c in up))


def _span(values: Sequence[float], unit: str) -> str:
    low, high = min(values), max(values)
    return f"{low:+.1f} {unit}" if high - low < 0.05 else f"{low:+.1f} to {high:+.1f} {unit}"


def _figures(levels: ModemLevels) -> Iterator[str]:
    for way in Direction:
        live = [c for c in levels.direction(way) if c.locked is not False]
        powers = [c.power_dbmv for c in live if c.power_dbmv is not None]
        ratios = [c.mer_db for c in live if c.mer_db is not None]
        many = sum(c.carrier in MULTI_CARRIER for c in live)
        if live:
            of_many = f" ({many} of them {'OFDM' if way is Direction.DOWN else 'OFDMA'})" if many else ""
            told = [f"power {_span(powers, 'dBmV')}"] if powers else []
            told += [f"SNR {min(ratios):.1f} to {max(ratios):.1f} dB"] if ratios else []
            words = f": {', '.join(told)}" if told else ""
            yield f"{len(live)} {way}stream channel{'s' if len(live) > 1 else ''}{of_many}{words}"
        lost = [(c.uncorrectable, c.name) for c in live if c.uncorrectable]
        if lost:
            most, name = max(lost)
            yield f"uncorrectable codewords since the modem's restart: most on {name}, {most:,}"
    for line in levels.dsl:
        told = [f"{line.rate_bps / 1e6:.1f} Mbit/s"] if line.rate_bps is not None else []
        told += [f"margin {line.margin_db:.1f} dB"] if line.margin_db is not None else []
        told += [f"attenuation {line.attenuation_db:.1f} dB"] if line.attenuation_db is not None else []
        if told:
            yield f"{line.direction}stream: {', '.join(told)}"
    if levels.receive_dbm is not None:
        yield f"light received: {levels.receive_dbm:.1f} dBm"


def _rank(one: Complaint) -> tuple[int, int, float, str]:
    family = family_of(one.worst)
    place = _ORDER.index(family) if family in _ORDER else len(_ORDER)
    return -one.standing.weight, place, -one.worst.off, one.short


def summary(levels: ModemLevels, judgement: Judgement, *, counted: bool) -> LevelsSummary:
    """A reading with what was found on it. counted: an earlier reading gave the codewords in between."""
    not_read = tuple(dict.fromkeys(_not_read(levels)))
    return LevelsSummary(
        standing=judgement.standing,
        complaints=tuple(sorted(_complaints(judgement, levels), key=_rank)),
        not_read=not_read,
        uncounted=not counted and any(c.uncorrectable is not None for c in levels.channels),
        unknown_columns=levels.not_read if not_read else (),
        figures=tuple(_figures(levels)),
    )
