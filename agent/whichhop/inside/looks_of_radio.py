"""What the causes inside a radio hop look like; also those of power line and coax, which share shapes."""

import itertools
from collections.abc import Iterator
from statistics import median

from whichhop.inside.rhythm import Period
from whichhop.inside.seen import Seen, Sign, values_of
from whichhop.inside.shape import Shape
from whichhop.model.figure_words import lost_words, percent

WEAK_DBM, FAIR_DBM, GOOD_DBM = -75.0, -70.0, -64.0
"""IEEE 802.11 asks a receiver of 20 MHz to hear 64-QAM 3/4 at -65 dBm and 16-QAM 1/2 at -70 dBm, BPSK 1/2 at
-82 dBm (802.11-2020 table 19-18, minimum sensitivity); 80 MHz needs 6 dB more. Real receivers are some dB
better; under -75 dBm none is fast (common practice)."""
HEARD_DBM = (-110.0, -5.0)
"""Thermal noise of 20 MHz is -101 dBm (k T B at 290 K); antennas side by side receive -10 dBm of 20."""
BUSY, SOME, FREE = 0.6, 0.45, 0.3
"""Share of the time in which strangers hold the channel. Over half of it every frame waits for somebody
(common practice; the standard sets no limit)."""
QUEUED_S = 0.003
"""On a busy channel most packets wait for others' frames, of some 1 to 5 ms each (IEEE 802.11, TXOP limits);
where half of them pass at once and a few come very late, the air is not what they wait for."""
MOSTLY, TRIES_BEYOND = 0.4, 7 / 3
"""A frame is given up after seven tries (IEEE 802.11, dot11ShortRetryLimit) and late from the third or so on
(windows of 16 to 1024 slots), so a share late of p^3 goes with one lost of p^7; a quarter of that allows for
radios that try longer."""
MANY_LOST = 0.03
"""Who waits for others' frames loses a percent or two to collisions (common practice); more is lost by a weak
signal, whose lowest rates may make everything late as well."""
MANY, FEW_OF_LATE = 0.25, 0.06
"""Where a weak signal makes so many late, it loses one for ten of them or more (development homes)."""
TRIES_MOST_S = 0.15
"""Seven tries of a short frame, with windows up to 1023 slots of 9 us, last some 20 ms, and behind one
long frame on the lowest rates 100 ms (IEEE 802.11; the rest common practice)."""
SHORT_S = 6.0
"""A scan of a band takes some 100 ms a channel, so up to 4 s for forty channels, 5 s where the radio comes
back between them, and is told in whole seconds; what lasts longer at a period is none (common practice)."""
LONGEST_SCAN_S = 900.0
SURE_POWER = 12.0
"""Power in step with the mains that is told in any number of stretches (development homes)."""
SOME_DAYS, BY_HOUR = 1.9, 3.0
"""Two days show whether an hour is worse each day; three times the rest is no chance of one evening (common
practice)."""
DOZE_MOST_S = 0.45
"""Dozing radios wake for a beacon's traffic map, each one to three intervals of 102.4 ms (IEEE 802.11, DTIM).
"""
RETRIED_S = 0.003
"""Half of the packets so late or later: two to three more tries each, of some 1 ms with their window of 31 to
127 slots of 9 us (IEEE 802.11) and the frame itself."""
FADED = 0.4
"""Share of the seconds in which a packet was late or lost. Fades last seconds, as people and doors move, and
the margin of a weak signal is gone in many of them (common practice; development homes)."""
CLUMPED = 0.25
"""Correlation of one packet's fate with the next one's, a second later."""
SLOW_RADIO_BPS = 30e6
"""Under this a radio works on one of its lowest rates (one stream of 20 MHz at 16-QAM 1/2 is 26 Mbit/s)."""


def _rhythmic(shape: Shape | None) -> Period | None:
    return None if shape is None else shape.period


def _steady(shape: Shape) -> bool:
    """Bad all the time, with no rhythm and no outages: what has no place in time, but only a size."""
    return shape.period is None and not shape.outages and shape.silent_share < 0.05


def _fades(shape: Shape) -> bool:
    """Bad most of the time, now less, now more, down to silence: what was lost was mostly lost between the
    silences, where a hop that parts and joins loses nothing, and what comes in spells leaves more time well.
    """
    between = shape.lost - shape.silent_share
    return (
        shape.period is None and shape.bad_seconds >= FADED and between >= max(0.02, 2 * shape.silent_share)
    )


def _no_retries(shape: Shape) -> bool:
    """So many late ones by retries alone would bring more losses."""
    few = shape.lost < min(MANY_LOST, 0.25 * shape.late**TRIES_BEYOND)
    return (shape.late >= MOSTLY and few) or (shape.late >= MANY and shape.lost < FEW_OF_LATE * shape.late)


def _beyond_tries(shape: Shape) -> bool:
    """Waits that a frame's own tries do not last, and few lost: it waited behind others."""
    waited = shape.late >= 0.08 and shape.cap_s > TRIES_MOST_S
    return waited and shape.lost < MANY_LOST and shape.clumped < CLUMPED


def strangers_share(seen: Seen) -> float | None:
    """Time in which others than the two ends held the channel; all busy time where own time is not told."""
    found = []
    for f in seen.facts:
        if f.radio_busy_share is not None:
            own = (f.radio_transmit_share or 0.0) + (f.radio_own_receive_share or 0.0)
            found.append(max(0.0, f.radio_busy_share - own))
    return sorted(found)[len(found) // 2] if found else None


def _signal(seen: Seen) -> float | None:
    """The median signal; what no receiver in a home has is not known: a driver's 0, a quality in percent."""
    told = [v for v in values_of(seen.facts, "radio_signal_dbm") if HEARD_DBM[0] <= v <= HEARD_DBM[1]]
    return median(told) if told else None


def weak_signal(seen: Seen) -> Iterator[Sign]:
    """Far or shaded: retries and losses all the time, a low signal."""
    yield from _low_signal(seen)
    shape = seen.shape
    if shape is None:
        return
    fades = _fades(shape) and shape.late >= 0.04
    if fades and not _steady(shape):
        yield Sign(
            3.0,
            f"{lost_words(shape.lost)} and {percent(shape.late)} late, in {percent(shape.bad_seconds)} of the"
            " seconds, now more, now less, as a weak signal fades",
        )
    elif _steady(shape) and shape.lost >= 0.008 and shape.late >= 0.04:
        # Losses in clumps may be fading, where most packets need some more tries; else something comes and
        # goes whose rhythm was not found.
        tried = shape.added_p50_s >= RETRIED_S
        even = shape.clumped < CLUMPED
        sure = shape.lost >= 0.01 and (even or (tried and shape.lost < shape.late / 3))
        yield Sign(
            3.0 if sure else 1.5 if even or tried or shape.cap_s <= TRIES_MOST_S else 0.5,
            f"{lost_words(shape.lost)} and {percent(shape.late)} late, all the time",
        )
    elif shape.lost < 0.006:
        yield Sign(-1.5)
    if _no_retries(shape):
        yield Sign(-2.0)
    if _beyond_tries(shape):
        yield Sign(-1.0)
    if shape.period is not None or (shape.outages >= 3 and not fades):
        yield Sign(-1.5)
    if shape.mains is not None and shape.mains.told:
        yield Sign(-2.0)


def _low_signal(seen: Seen) -> Iterator[Sign]:
    signal = _signal(seen)
    if signal is not None:
        if signal <= WEAK_DBM:
            yield Sign(4.0, f"the signal is {signal:.0f} dBm; under {WEAK_DBM:.0f} dBm only slow rates work")
        elif signal <= FAIR_DBM:
            yield Sign(1.2, f"the signal is {signal:.0f} dBm, which is little")
        elif signal >= GOOD_DBM:
            yield Sign(-4.0)
        else:
            yield Sign(-1.0)
    failed = seen.fact("radio_failed_share")
    if failed is not None and failed > 0.01:
        yield Sign(0.8, f"{percent(failed, 1)} of the frames were given up after all retries")


def busy_channel(seen: Seen) -> Iterator[Sign]:
    """Others hold the air: packets wait, few are lost."""
    busy = strangers_share(seen)
    if busy is not None:
        if busy >= BUSY:
            yield Sign(4.0, f"others held the channel {percent(busy)} of the time")
        elif busy >= SOME:
            yield Sign(1.5, f"others held the channel {percent(busy)} of the time")
        elif busy < FREE:
            yield Sign(-4.0)
    shape = seen.shape
    waits = shape is not None and shape.late >= 0.08 and shape.lost < 0.02 and shape.added_p50_s >= QUEUED_S
    signal = _signal(seen)
    if signal is not None and signal >= GOOD_DBM and (waits or (busy or 0.0) >= SOME):
        yield Sign(0.5, f"the signal is good ({signal:.0f} dBm), so it is not the distance")
    if shape is None:
        return
    spread = shape.added_p90_s >= max(1.8 * shape.added_p50_s, shape.added_p50_s + 0.005)
    if _steady(shape) and waits and spread:
        yield Sign(
            3.0 if (shape.lost < 0.01 and shape.clumped < CLUMPED) or _no_retries(shape) else 1.5,
            f"packets waited (half of them {shape.added_p50_s * 1e3:.0f} ms and more, one in ten"
            f" {shape.added_p90_s * 1e3:.0f} ms), and {lost_words(shape.lost)}",
        )
    elif shape.lost >= MANY_LOST:
        yield Sign(-2.0)
    if waits and _beyond_tries(shape):
        yield Sign(1.0)
    if shape.there_share is not None and not 0.1 < shape.there_share < 0.9:
        yield Sign(-2.5)  # a busy channel holds both directions up
    if shape.period is not None or shape.outages >= 3 or _dozes(shape):
        yield Sign(-1.5)
    if shape.mains is not None and shape.mains.told:
        yield Sign(-2.0)


def in_step_with_mains(seen: Seen) -> Iterator[Sign]:
    """Hits at one place of the mains' cycle: an oven, a dimmer, a power supply."""
    shape = seen.shape
    found = None if shape is None else shape.mains
    if found is None:
        yield Sign(-1.0)
    elif found.told:
        yield Sign(
            5.0 if found.strength >= SURE_POWER else 3.5,
            f"packets were hit in step with {found.hz:.0f} Hz{_of_mains(found.hz)}, {found.over:.1f} times as"
            " strongly as with any other frequency tried",
        )
    else:
        yield Sign(-2.5)


def _of_mains(hz: float) -> str:
    return f", twice the mains' {hz / 2:.0f}" if hz >= 100.0 else ", the mains'"


def comes_and_goes(seen: Seen) -> Iterator[Sign]:
    """Spells of many seconds at a period: an appliance that cycles, a camera, a backup."""
    period = _rhythmic(seen.shape)
    if period is None or period.lasts_s < SHORT_S:
        yield Sign(-3.0)
        return
    yield Sign(4.5, _period_words(period))


def runs_at_its_times(seen: Seen) -> Iterator[Sign]:
    """An appliance: spells at a period, or the same hours day after day."""
    hours = seen.hours
    by_day = hours is not None and hours.days >= SOME_DAYS and (hours.busy_ratio or 0.0) >= BY_HOUR
    if by_day and _rhythmic(seen.shape) is None and hours is not None:
        yield Sign(
            3.5,
            f"over {hours.days:.0f} days the hours around {hours.peak_hour or 0:.0f}:00 were"
            f" {hours.busy_ratio:.0f} times as bad as the rest",
        )
    else:
        yield from comes_and_goes(seen)


def _period_words(period: Period) -> str:
    if period.lasts_s >= 120:
        lasts = f"for about {period.lasts_s / 60:.0f} min"
    else:
        lasts = f"for about {period.lasts_s:.0f} s" if period.lasts_s >= 1.5 else "for a moment"
    cycles = "every cycle" if period.kept > 0.995 else f"{percent(period.kept)} of the cycles"
    return f"it comes every {period.every_words} {lasts}: {period.events} times, in {cycles}"


def scans(seen: Seen) -> Iterator[Sign]:
    """Moments in a rhythm: the radio leaves its channel to look around, or roams there and back."""
    period = _rhythmic(seen.shape)
    if period is None or period.lasts_s >= SHORT_S or period.every_s > LONGEST_SCAN_S:
        yield Sign(-3.0)
        return
    yield Sign(4.5, _period_words(period))


def _dozes(shape: Shape) -> bool:
    idle, awake = shape.idle_late, shape.awake_late
    return idle is not None and awake is not None and idle >= 0.12 and idle >= 3.0 * awake


def _late_words(share: float | None) -> str:
    return f"{percent(share or 0.0)} of the packets were late"


def dozes(seen: Seen) -> Iterator[Sign]:
    """Late after a pause, quick right behind another packet, nothing lost, no wait over some beacons."""
    told = seen.fact("radio_power_save")
    if told is not None:
        yield Sign(1.0, "the driver says that power save is on") if told >= 0.5 else Sign(-4.0)
    shape = seen.shape
    if shape is None:
        return
    if _dozes(shape) and shape.cap_s <= DOZE_MOST_S:
        yield Sign(
            4.5,
            f"{_late_words(shape.idle_late)} after a pause of 150 ms, "
            f"{percent(shape.awake_late or 0.0)} right behind another;"
            f" none waited over {shape.cap_s * 1e3:.0f} ms",
        )
    elif shape.idle_late is not None and shape.awake_late is None and shape.lost < 0.01:
        # All packets come after a pause. A busy channel looks alike, but hinders both ways.
        even = shape.idle_late >= 0.3 and 0.08 <= shape.cap_s <= DOZE_MOST_S
        toward = shape.there_share is not None and not 0.12 < shape.there_share < 0.88
        if even and toward:
            yield Sign(
                4.5,
                f"{_late_words(shape.idle_late)}, all toward one end, and none"
                f" waited over {shape.cap_s * 1e3:.0f} ms",
            )
        else:
            yield Sign(0.8 if even and shape.there_share is None else -2.0)
    else:
        yield Sign(-3.0)
    if shape.lost > 0.03 or shape.period is not None:
        yield Sign(-1.5)


def low_link_rate(seen: Seen) -> Iterator[Sign]:
    """The radio works on its lowest rates or with one stream, though the signal would allow more."""
    rates = values_of(seen.facts, "radio_rate_bps") + values_of(seen.facts, "radio_receive_rate_bps")
    if not rates:
        yield Sign(-2.5)
        return
    rate = sorted(rates)[len(rates) // 2]
    signal = _signal(seen)
    if rate > SLOW_RADIO_BPS:
        yield Sign(-3.0)
    elif signal is not None and signal <= FAIR_DBM:
        yield Sign(0.0)  # the signal explains the rate
    else:
        words = f"the radios run at {rate / 1e6:.0f} Mbit/s"
        yield Sign(3.0, words + (f" though the signal is {signal:.0f} dBm" if signal is not None else ""))


def flaps(seen: Seen) -> Iterator[Sign]:
    """The two ends part and join again."""
    joined = values_of((*seen.before[-1:], *seen.facts), "radio_connected_s")
    parted = sum(1 for before, after in itertools.pairwise(joined) if after < before)
    changes = seen.fact("port_carrier_changes", sum)
    if parted:
        yield Sign(2.5 + min(2.0, parted), f"the two ends parted and joined {parted} times")
    elif len(joined) > 1:
        yield Sign(-2.5)
    if changes:
        yield Sign(5.0, f"the carrier came or went {changes:.0f} times")
    elif changes is not None:
        yield Sign(-4.0)
    yield from drops_out(seen)


def drops_out(seen: Seen) -> Iterator[Sign]:
    """Silences of seconds, again and again, and nothing between them."""
    shape = seen.shape
    if shape is None:
        return
    between = max(0.0, shape.lost - shape.silent_share)
    # Most of what was lost was lost in the silences: what loses at random falls silent by chance too.
    if shape.outages >= 2 and shape.period is None and between <= 0.5 * shape.silent_share:
        yield Sign(
            2.6 + min(1.5, 0.3 * shape.outages),
            f"{shape.outages} times nothing passed, for {shape.outage_s:.0f} s each;"
            f" {percent(between, 1) if between >= 5e-4 else 'nothing'} was lost between",
        )
    elif shape.outages == 0:
        yield Sign(-3.0)


def low_rate(seen: Seen) -> Iterator[Sign]:
    """Transfers over the hop are far under what its adapters or ports could."""
    rates = seen.rates
    if rates is None:
        yield Sign(-2.0)
    elif rates.median_bps < 0.35 * rates.could_bps:
        yield Sign(
            2.5,
            f"{rates.count} transfers moved {rates.median_bps / 1e6:.0f} Mbit/s in the middle of them, where"
            f" {rates.could_bps / 1e6:.0f} Mbit/s are usual",
        )
    else:
        yield Sign(-2.0)
