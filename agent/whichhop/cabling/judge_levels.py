"""Judges a modem's reading against the rules: each channel, and the whole."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from itertools import pairwise

from msgspec import Struct
from msgspec.structs import replace

from whichhop.cabling.codewords import CodewordDelta, CounterState, codeword_delta, count_delta
from whichhop.cabling.rules import RULES, SNR_PREFERRED_DB, LevelStanding, Rule, snr_minimum, up_power_rule
from whichhop.model.channel import MULTI_CARRIER, Channel, Direction, ModemLevels
from whichhop.model.units import NS_PER_S


class LevelFinding(Struct, frozen=True, kw_only=True):
    """How one value stands against one rule.

    about: a channel's name, a direction, or what was judged. count: on how many codewords, channels or
    events the value rests, where that matters.
    """

    rule: str
    about: str
    standing: LevelStanding
    value: float | None
    unit: str
    words: str
    source: str
    count: int | None = None
    subject: str = ""
    """What the value is, such as "downstream power"; "" where the words alone tell."""
    shown: str = ""
    """The value with its unit, as a reader is told it."""
    wanted: str = ""
    """The range that the rule gives, in words."""
    means: str = ""
    """What a value beyond it usually means."""
    too_low: bool = False
    off: float = 0.0
    """How far beyond the range, in its unit."""


class Judgement(Struct, frozen=True, kw_only=True):
    """All findings on one reading, worst first."""

    findings: tuple[LevelFinding, ...]

    @property
    def standing(self) -> LevelStanding:
        """The worst of all, UNKNOWN when nothing could be judged."""
        spoken = [f.standing for f in self.findings if f.standing is not LevelStanding.UNKNOWN]
        return max(spoken, key=lambda s: s.weight) if spoken else LevelStanding.UNKNOWN

    @property
    def troubles(self) -> tuple[LevelFinding, ...]:
        """Findings that are not fine."""
        return tuple(f for f in self.findings if f.standing.weight)


def judge_value(rule: Rule, about: str, value: float, count: int | None = None) -> LevelFinding:
    """One value against one rule."""
    standing, shown = rule.stands(value), rule.shown(value)
    words = f"{about}: {rule.subject} {shown}"
    if standing is not LevelStanding.FINE:
        words += f", not {rule.range_words} ({rule.source}): {rule.advice(value)}"
    return LevelFinding(
        rule=rule.name,
        about=about,
        standing=standing,
        value=value,
        unit=rule.unit,
        words=words,
        source=rule.source,
        count=count,
        subject=rule.subject,
        shown=shown,
        wanted=rule.range_words,
        means=rule.advice(value),
        too_low=rule.low is not None and value < rule.low,
        off=max(
            0.0,
            (rule.low or 0.0) - value if rule.low is not None else 0.0,
            value - rule.high if rule.high is not None else 0.0,
        ),
    )


def worst_first(findings: Iterable[LevelFinding]) -> tuple[LevelFinding, ...]:
    """Sorted by standing, order kept among equals."""
    return tuple(sorted(findings, key=lambda f: -f.standing.weight))


def _snr(channel: Channel) -> Iterable[LevelFinding]:
    if channel.mer_db is None:
        return
    yield judge_value(RULES["snr-implausible"], channel.name, channel.mer_db)
    finding = judge_value(RULES["snr-poor"], channel.name, channel.mer_db)
    low, high = SNR_PREFERRED_DB
    if finding.standing is LevelStanding.FINE and channel.mer_db < low:
        note = f"{finding.words}, passable; {low:g} to {high:g} dB is preferred ({finding.source})"
        finding = replace(finding, words=note)
    yield finding
    least = snr_minimum(channel.carrier, channel.modulation)
    if least is None:
        return
    need = least.least_db
    if least.weak_db is not None and channel.power_dbmv is not None and channel.power_dbmv < least.weak_dbmv:
        need = least.weak_db
    rule = Rule(
        name="snr-minimum",
        subject=f"SNR for {channel.modulation_words}",
        unit="dB",
        low=need,
        beyond=LevelStanding.OUTSIDE,
        source=least.source,
        when_low="the receiver need not decode this modulation at so much noise",
    )
    yield judge_value(rule, channel.name, channel.mer_db)


def _power(channel: Channel, sent_at_once: int) -> Iterable[LevelFinding]:
    if channel.power_dbmv is None:
        return
    if channel.direction is Direction.DOWN:
        rules = [RULES["down-power-specification"], RULES["down-power-practice"]]
    else:
        rules = [RULES["up-power-practice"]]
        if channel.carrier not in MULTI_CARRIER:
            rules.insert(0, up_power_rule(sent_at_once, channel.modulation))
    for rule in rules:
        yield judge_value(rule, channel.name, channel.power_dbmv)


def _lock(channels: Sequence[Channel], direction: Direction) -> Iterable[LevelFinding]:
    """Unlocked channels; some locked and some not is what DOCSIS calls partial service.

    A modem's page lists places that the provider does not use, without a frequency: beside locked channels
    they say nothing.
    """
    told = [c for c in channels if c.locked is not None]
    if any(c.locked for c in told):
        told = [c for c in told if c.locked or c.frequency_hz]
    open_ = [c for c in told if not c.locked]
    if not open_:
        return
    source = (
        f"{MULPI_PARTIAL}" if len(open_) < len(told) else "a modem without a locked channel has no service"
    )
    names = ", ".join(c.name for c in open_)
    partial = len(open_) < len(told)
    yield LevelFinding(
        rule="partial-service" if partial else "no-service",
        about=f"{direction}stream",
        standing=LevelStanding.OUTSIDE,
        value=float(len(open_)),
        unit="channels",
        words=f"{direction}stream: {len(open_)} of {len(told)} channels not locked ({names}): "
        + ("the modem runs in partial service" if partial else "there is no service"),
        source=source,
        count=len(told),
    )


MULPI_PARTIAL = "DOCSIS 3.0 MAC and upper layer specification, partial service"


def _slope(channels: Sequence[Channel]) -> float | None:
    """Tilt in dB from the lowest to the highest frequency along the least-squares line; None under three."""
    points = [(c.frequency_hz, c.power_dbmv) for c in channels if c.frequency_hz and c.power_dbmv is not None]
    if len(points) < 3 or len({f for f, _ in points}) < 3:
        return None
    mean_f = sum(f for f, _ in points) / len(points)
    mean_p = sum(p for _, p in points) / len(points)
    up = sum((f - mean_f) * (p - mean_p) for f, p in points)
    across = sum((f - mean_f) ** 2 for f, _ in points)
    span = max(f for f, _ in points) - min(f for f, _ in points)
    return up / across * span


def _whole(channels: Sequence[Channel], direction: Direction) -> Iterable[LevelFinding]:
    """Spread, steps and tilt over the single-carrier channels of one direction.

    Channels of many subcarriers are left out of it: their power is given per another width.
    """
    single = [
        c
        for c in channels
        if c.carrier not in MULTI_CARRIER and c.power_dbmv is not None and c.locked is not False
    ]
    powers = [c.power_dbmv for c in single if c.power_dbmv is not None]
    if len(powers) < 2:
        return
    spread = max(powers) - min(powers)
    about = f"{direction}stream"
    if direction is Direction.UP:
        yield judge_value(RULES["up-spread-specification"], about, spread, len(powers))
        yield judge_value(RULES["up-spread-practice"], about, spread, len(powers))
        return
    yield judge_value(RULES["down-spread"], about, spread, len(powers))
    ordered = sorted(
        (c.frequency_hz, c.power_dbmv) for c in single if c.frequency_hz and c.power_dbmv is not None
    )
    steps = [abs(b - a) for (f, a), (g, b) in pairwise(ordered) if g - f <= NEIGHBOUR_HZ]
    if steps:
        yield judge_value(RULES["down-step"], about, max(steps), len(steps))
    tilt = _slope(single)
    if tilt is not None:
        yield judge_value(RULES["down-tilt"], about, tilt, len(powers))


NEIGHBOUR_HZ = 8_000_000
"""Channels this near are neighbours: 6 MHz (annex B) or 8 MHz (annex A) of ITU-T J.83."""


def _codewords(delta: CodewordDelta) -> Iterable[LevelFinding]:
    ratio, total = delta.uncorrectable_ratio, delta.total
    if ratio is None or total is None:
        why = {
            CounterState.STALLED: "no codeword was counted between the readings",
            CounterState.UNKNOWABLE: "the readings are too far apart to tell a counter's wrap from a restart",
        }.get(delta.state, "a counter is missing")
        yield LevelFinding(
            rule="uncorrectable-noticed",
            about=delta.channel,
            standing=LevelStanding.UNKNOWN,
            value=None,
            unit="",
            words=f"{delta.channel}: codeword ratio unknown, {why}",
            source="RFC 4546, counters are read as differences",
            count=delta.uncorrectable,
        )
        return
    yield judge_value(RULES["uncorrectable-felt"], delta.channel, ratio, total)
    yield judge_value(RULES["uncorrectable-noticed"], delta.channel, ratio, total)
    if delta.corrected_ratio is not None:
        yield judge_value(RULES["corrected"], delta.channel, delta.corrected_ratio, total)


def _ranging(before: Channel, after: Channel, seconds: float) -> Iterable[LevelFinding]:
    counters: tuple[tuple[str, Callable[[Channel], int | None]], ...] = (
        ("t3-rate", lambda c: c.t3_timeouts),
        ("t4-rate", lambda c: c.t4_timeouts),
    )
    for name, field in counters:
        count = count_delta(field(before), field(after))
        if count is not None:
            yield judge_value(RULES[name], after.name, count * 3600.0 / seconds, count)


def judge_channels(channels: Sequence[Channel]) -> Judgement:
    """One reading alone: power, SNR, lock, spread, steps and tilt. Counters need two readings."""
    found: list[LevelFinding] = []
    for direction in Direction:
        some = [c for c in channels if c.direction is direction]
        live = [c for c in some if c.locked is not False]
        at_once = sum(c.carrier not in MULTI_CARRIER for c in live)
        found += _lock(some, direction)
        found += _whole(some, direction)
        for channel in live:
            found += _power(channel, at_once)
            if direction is Direction.DOWN:
                found += _snr(channel)
    return Judgement(findings=worst_first(found))


def deltas_between(before: ModemLevels, after: ModemLevels) -> Mapping[str, CodewordDelta]:
    """The codewords that every downstream channel of both readings counted; empty without time between."""
    seconds = (after.at_ns - before.at_ns) / NS_PER_S
    if seconds <= 0:
        return {}
    old = {c.name: c for c in before.channels}
    return {
        c.name: codeword_delta(old[c.name], c, seconds)
        for c in after.direction(Direction.DOWN)
        if c.name in old and c.uncorrectable is not None
    }


def judge(after: ModemLevels, before: ModemLevels | None = None) -> Judgement:
    """A reading, with the codeword ratios and ranging time-outs since an earlier one where there is one."""
    found = list(judge_channels(after.channels).findings)
    if before is not None and after.at_ns > before.at_ns:
        for delta in deltas_between(before, after).values():
            found += _codewords(delta)
        seconds = (after.at_ns - before.at_ns) / NS_PER_S
        old = {c.name: c for c in before.channels}
        for channel in after.direction(Direction.UP):
            if channel.name in old:
                found += _ranging(old[channel.name], channel, seconds)
    return Judgement(findings=worst_first(found))
