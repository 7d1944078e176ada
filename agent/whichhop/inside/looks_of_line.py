"""What the causes inside the access line look like, and those of the home's own traffic."""

from collections.abc import Iterator, Sequence

from whichhop.cabling.judge_levels import LevelFinding
from whichhop.cabling.rules import LevelStanding
from whichhop.inside.seen import Seen, Sign
from whichhop.model import Cause, Medium
from whichhop.model.figure_words import how_long, percent

EVENING = (17.0, 24.5)
"""Lines are fullest from about five in the afternoon to midnight (common practice; the traffic of homes
peaks at eight to eleven in the evening)."""
FEW_LOST = 0.04
"""A full queue drops what does not fit: a percent or two make senders slow down (common practice); more is
noise or a break."""
BUSY_RATIO = 3.0
FULL, FREE = 0.7, 0.4
"""Of what the line carries; the same bounds as a provider verdict has."""
LONG_S = 20 * 60.0
TRAIN_S = (15.0, 240.0)
"""A modem that lost its line needs so long to train again (common practice: 30 to 90 s, VDSL2 by G.993.2 and
G.994.1 handshakes; a cable modem one to four minutes)."""


LEVEL_RULES = (
    "down-power-specification",
    "snr-poor",
    "up-power-specification",
    "up-spread-specification",
    "down-power-practice",
    "up-power-practice",
    "down-tilt",
    "down-step",
)


def _told(seen: Seen, *rules: str) -> Iterator[Sign]:
    """The modem's own values that stand under one of these rules, each kind in one short sentence."""
    found = [f for f in seen.levels if f.rule in rules and f.standing is not LevelStanding.IMPLAUSIBLE]
    if not found:
        yield Sign(-3.0)
    said = set()
    for finding in found[:2]:
        alike = [f for f in found if f.subject == finding.subject]
        words = _value_words(alike) if finding.subject else finding.words
        yield Sign(4.5 if finding.standing is LevelStanding.OUTSIDE else 1.5, "" if words in said else words)
        said.add(words)


def _value_words(alike: Sequence[LevelFinding]) -> str:
    """The worst of some channels' values of one kind, what is wanted, and whose limit that is."""
    worst = max(alike, key=lambda f: (f.standing.weight, f.off))
    others = f" and {len(alike) - 1} more" if len(alike) > 1 else ""
    # A source that stands as "title (number) section" is told by its number.
    source = worst.source.partition("(")[2].partition(")")[0] or worst.source
    return f"{worst.subject} {worst.shown} on {worst.about}{others}, wanted {worst.wanted} ({source})"


def levels(seen: Seen) -> Iterator[Sign]:
    """Power or signal to noise outside the modem's published limits."""
    yield from _told(seen, *LEVEL_RULES)


def uncorrectables(seen: Seen) -> Iterator[Sign]:
    """Codewords beyond repair."""
    yield from _told(seen, "uncorrectable-felt", "uncorrectable-noticed")
    if seen.shape is not None and seen.shape.lost < 0.003:
        yield Sign(-0.5)


def partial_service(seen: Seen) -> Iterator[Sign]:
    """Some channels are not locked."""
    yield from _told(seen, "partial-service", "no-service")


def ranging(seen: Seen) -> Iterator[Sign]:
    """The modem's calls go unanswered."""
    yield from _told(seen, "t3-rate", "t4-rate")


def dsl_margin(seen: Seen) -> Iterator[Sign]:
    """Little left between signal and noise."""
    yield from _told(seen, "dsl-margin-lost", "dsl-margin-fragile")


def fibre_light(seen: Seen) -> Iterator[Sign]:
    """Light outside what the receiver takes."""
    yield from _told(seen, "fibre-receive-specification", "fibre-receive-practice")


def _idle(seen: Seen) -> Iterator[Sign]:
    most = seen.use.most
    if most is not None and most >= FULL:
        yield Sign(-4.0)
    elif most is not None and most < FREE:
        used = percent(most) if most >= 0.01 else "under 1 %"
        yield Sign(0.7, f"the home itself used {used} of its line")


def evening_congestion(seen: Seen) -> Iterator[Sign]:
    """Packets wait at busy hours, whatever the home does; few are lost, and the line never falls silent."""
    shape, hours = seen.shape, seen.hours
    waits = shape is not None and shape.added_p50_s >= 0.004 and shape.silent_share < 0.05
    if shape is not None and not waits:
        yield Sign(-3.0)
    elif shape is not None and shape.lost > FEW_LOST:
        yield Sign(-2.0)
    evening = EVENING[0] <= seen.hour <= EVENING[1] or seen.hour <= EVENING[1] - 24
    if (
        hours is not None
        and hours.busy_ratio is not None
        and hours.days >= 1.9
        and hours.peak_hour is not None
    ):
        if hours.busy_ratio >= BUSY_RATIO:
            yield Sign(
                3.5,
                f"over {hours.days:.0f} days the hours around {hours.peak_hour:.0f}:00 were"
                f" {hours.busy_ratio:.0f} times as slow as the rest",
            )
        else:
            yield Sign(-2.5)
    elif evening and waits and seen.lasts_s >= LONG_S:
        yield Sign(2.2, f"it has lasted {how_long(seen.lasts_s // 60 * 60)} in the evening")
    elif not evening:
        yield Sign(-2.5)
    if str(Cause.OWN_TRAFFIC) in seen.verdict.elements:
        yield Sign(-4.0)  # the home may have filled its line itself
    elif waits and shape is not None:
        yield Sign(0.8, f"half of the packets waited {shape.added_p50_s * 1e3:.0f} ms and more")
        yield from _idle(seen)


def rate_under_plan(seen: Seen) -> Iterator[Sign]:
    """Transfers far under the plan at all hours."""
    rates = seen.rates
    if rates is None or not rates.at_all_hours or rates.median_bps > 0.6 * rates.could_bps:
        yield Sign(-3.0)
    else:
        yield Sign(
            3.0,
            f"{rates.count} transfers at all hours moved {rates.median_bps / 1e6:.0f} Mbit/s of the plan's"
            f" {rates.could_bps / 1e6:.0f}",
        )


def outage(seen: Seen) -> Iterator[Sign]:
    """Nothing passes for long."""
    shape = seen.shape
    if shape is None or shape.silent_share < 0.6:
        yield Sign(-4.0)
    elif shape.outages < 2 and seen.lasts_s > TRAIN_S[1]:
        yield Sign(4.5, f"nothing passed for {seen.lasts_s / 60:.0f} min")
    else:
        yield Sign(2.0, f"nothing passed for {shape.outage_s or seen.lasts_s:.0f} s")


def retrains(seen: Seen) -> Iterator[Sign]:
    """Silences of the length of a training, again and again."""
    shape, link = seen.shape, seen.place.link
    dsl = link is not None and link.medium is Medium.DSL
    if shape is None:
        return
    low, high = TRAIN_S
    if shape.outages and low <= shape.outage_s <= high:
        yield Sign(
            4.0 if dsl else 3.6,
            f"{'once' if shape.outages == 1 else f'{shape.outages} times'} nothing passed for about"
            f" {shape.outage_s:.0f} s, as in training",
        )
    else:
        yield Sign(-4.0)


def _direction(seen: Seen, way: str) -> Iterator[Sign]:
    mine, other = (seen.use.up, seen.use.down) if way == "up" else (seen.use.down, seen.use.up)
    if mine is not None:
        if mine >= FULL and (other is None or other < mine - 0.15):
            yield Sign(
                3.5,
                f"the home used {percent(mine)} of its line {way}stream"
                + ("" if other is None else f", {percent(other)} {'down' if way == 'up' else 'up'}stream"),
            )
        elif mine < FREE:
            yield Sign(-4.0)
        elif mine >= FULL:
            yield Sign(1.5, f"the home used {percent(mine)} of its line {way}stream")
    there = None if seen.shape is None else seen.shape.there_share
    if there is not None:
        share = there if way == "up" else 1.0 - there
        if share >= 0.75:
            yield Sign(2.5, f"{'all' if share > 0.995 else percent(share)} of the wait was {way}stream")
        elif share <= 0.35:
            yield Sign(-2.5)


def upload_fills(seen: Seen) -> Iterator[Sign]:
    """The queue before the line up is full."""
    yield from _direction(seen, "up")
    yield from _who(seen)


def download_fills(seen: Seen) -> Iterator[Sign]:
    """The queue at the provider's side, toward the home, is full."""
    yield from _direction(seen, "down")
    yield from _who(seen)


def _who(seen: Seen) -> Iterator[Sign]:
    if seen.users:
        name, rate_bps = seen.users[0]
        yield Sign(0.2, f"most of it crossed {name}'s interface: {rate_bps / 1e6:.1f} Mbit/s")
    shape = seen.shape
    if shape is not None and shape.added_p90_s >= 0.03:
        yield Sign(
            0.3,
            f"the queue held packets for {shape.added_p90_s * 1e3:.0f} ms (one in ten longer): nothing"
            " manages it, where RFC 8290 would hold it near 5 ms",
        )
