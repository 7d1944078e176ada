"""What the causes inside a wired hop and inside a box of the home look like."""

import itertools
from collections.abc import Iterator

from whichhop.inside.looks_of_radio import drops_out
from whichhop.inside.seen import Seen, Sign, values_of
from whichhop.model.figure_words import lost_words, percent

ERRORS = 1e-4
"""Clause 40 of IEEE 802.3 is built for a bit error ratio of 1e-10, so at most one frame in about a million; a
hundred times that is a bad cable or plug (common practice)."""


def slow_port(seen: Seen) -> Iterator[Sign]:
    """Both ends can do a gigabit and agreed on less: 1000BASE-T needs all four pairs, 100BASE-TX two."""
    speed, able = seen.fact("port_speed_bps"), seen.fact("port_able_bps")
    partner = seen.fact("port_partner_able_bps")
    if speed is None:
        yield Sign(-1.5)
    elif speed >= 1e9:
        yield Sign(-5.0)
    else:
        could = min(v for v in (able, partner) if v is not None) if (able or partner) else None
        if could is not None and could <= speed:
            yield Sign(-3.0)  # a port that can do no more is no broken pair
        else:
            more = f" and both ends could do {could / 1e6:.0f}" if could is not None and partner else ""
            more = more or f"; it could do {could / 1e6:.0f}" if could is not None else "; 1000 is usual"
            yield Sign(4.5 if could is not None else 3.0, f"the port runs at {speed / 1e6:.0f} Mbit/s{more}")


def half_duplex(seen: Seen) -> Iterator[Sign]:
    """One end holds back while the other sends."""
    full = seen.fact("port_full_duplex", min)
    if full is None:
        yield Sign(-1.5)
    elif full < 0.5:
        yield Sign(5.0, "the port negotiated half duplex")
    else:
        yield Sign(-5.0)


def frame_errors(seen: Seen) -> Iterator[Sign]:
    """Frames are damaged: lost at random, and none delayed."""
    errors, frames = seen.fact("port_errors", sum), seen.fact("port_frames", sum)
    if errors is not None and frames:
        if errors / frames > ERRORS:
            yield Sign(
                4.5, f"{errors:.0f} of {frames:.0f} frames were damaged ({percent(errors / frames, 2)})"
            )
        elif frames > 1000:
            yield Sign(-2.5)
    shape = seen.shape
    if shape is None:
        return
    if shape.lost >= 0.01 and shape.late < 0.02 and not shape.outages:
        yield Sign(3.4, f"{lost_words(shape.lost)} at random and none was late")
    elif shape.lost < 0.003:
        yield Sign(-2.0)


def carrier_flaps(seen: Seen) -> Iterator[Sign]:
    """The carrier goes and comes."""
    changes = seen.fact("port_carrier_changes", sum)
    if changes:
        yield Sign(5.0, f"the carrier came or went {changes:.0f} times")
    elif changes is not None:
        yield Sign(-4.0)
    yield from drops_out(seen)


def restarted(seen: Seen) -> Iterator[Sign]:
    """One silence of the length of a start; its uptime went back."""
    up = values_of((*seen.before[-1:], *seen.facts), "node_uptime_s")
    if any(after < before for before, after in itertools.pairwise(up)):
        yield Sign(6.0, f"its uptime went back to {min(up):.0f} s")
    elif len(up) > 1:
        yield Sign(-5.0)
    shape = seen.shape
    if shape is not None and shape.silent_share > 0.6 and 20.0 <= shape.seconds <= 600.0:
        yield Sign(3.4, f"nothing passed for {shape.outage_s or shape.seconds:.0f} s, then all was as before")
    elif shape is not None:
        yield Sign(-3.0)


def overloaded(seen: Seen) -> Iterator[Sign]:
    """Slow for all that crosses it, more so with traffic; not silent."""
    load = seen.fact("node_processor_share")
    if load is not None:
        yield Sign(4.0, f"its processor was {percent(load)} busy") if load > 0.85 else Sign(-2.5)
    heat = seen.fact("node_temperature_c", max)
    if heat is not None and heat >= 90.0:
        yield Sign(2.0, f"it was {heat:.0f} degrees C hot inside")
    shape = seen.shape
    if shape is not None and shape.silent_share < 0.2 and shape.late > 0.1:
        yield Sign(3.4, f"{percent(shape.late)} of what crosses it was late, and {lost_words(shape.lost)}")
    elif shape is not None and shape.silent_share > 0.5:
        yield Sign(-3.0)


def slow_answers(seen: Seen) -> Iterator[Sign]:
    """The verdict says it: what the box forwards is well."""
    yield Sign(4.0, "what it forwards met no delay in the same minutes")


def slow_resolver(seen: Seen) -> Iterator[Sign]:
    """Answers come, late."""
    figures = seen.verdict.severity
    if figures is None:
        return
    if (figures.loss_ratio or 0.0) < 0.1:
        added = figures.added_p50_s or figures.added_p95_s or 0.0
        yield Sign(
            3.0,
            f"answers took {added * 1e3:.0f} ms longer",
        )
    else:
        yield Sign(-2.0)


def lost_lookups(seen: Seen) -> Iterator[Sign]:
    """Answers do not come."""
    figures = seen.verdict.severity
    lost = 0.0 if figures is None else figures.loss_ratio or 0.0
    if lost >= 0.1:
        yield Sign(3.0, f"{percent(lost)} of the questions stayed without an answer")
    else:
        yield Sign(-2.0)
