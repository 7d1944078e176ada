"""What agents and boxes do to packets on their own account: sleep, starve, doze, limit, step their clocks."""

from collections.abc import Callable, Iterable, Mapping

import numpy as np
import numpy.typing as npt

from paper_home.crossings import Rows, link_crossings, pseudo_crossing
from paper_home.flight import NO_SAMPLE, Flight
from whichhop.lab.scenario import FaultWay, Quirk, QuirkKind
from whichhop.model import Fate

MAINS_HZ = 50.0
IDLE_S = 0.2
"""A dozing radio sleeps once this long without a packet; common practice: one to three beacon intervals."""
DOZE_S = (0.05, 0.3)
RESYNC_S = 1.5
"""How long around a clock step samples are set aside."""


def agent_clock_s(
    quirks: Iterable[Quirk], agent: str, offsets_s: Mapping[str, float], sent_s: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """How far the agent's clock is ahead at each of its send times, seconds."""
    off = np.full(sent_s.shape, offsets_s.get(agent, 0.0))
    for quirk in quirks:
        if quirk.kind is QuirkKind.CLOCK_STEP and quirk.element == f"host:{agent}":
            off[sent_s < quirk.at_s] += quirk.size
    return off


def _during(quirk: Quirk, flight: Flight, rows: Rows) -> npt.NDArray[np.bool_]:
    moments = flight.true_s[rows]
    return (moments >= quirk.at_s) & (moments < quirk.at_s + quirk.for_s)


def _own_rows(quirk: Quirk, flight: Flight) -> Rows:
    return pseudo_crossing(quirk.element, flight.sessions).along


def _asked_rows(quirk: Quirk, flight: Flight) -> Rows:
    """Rows of others that probe the quirk's host."""
    return np.setdiff1d(
        pseudo_crossing(quirk.element, flight.sessions, as_target=True).along, _own_rows(quirk, flight)
    )


def _set_aside(flight: Flight, rows: Rows, where: npt.NDArray[np.bool_], value: int) -> None:
    part = flight.aside[rows]
    part[where] = value
    flight.aside[rows] = part


def _absent(quirk: Quirk, flight: Flight) -> None:
    rows = _own_rows(quirk, flight)
    _set_aside(flight, rows, _during(quirk, flight, rows), NO_SAMPLE)


def _asleep(quirk: Quirk, flight: Flight) -> None:
    rows = _own_rows(quirk, flight)
    asleep = _during(quirk, flight, rows)
    _set_aside(flight, rows, asleep, NO_SAMPLE)
    # The packets in flight when it fell asleep came back to nobody.
    in_flight = asleep & (flight.true_s[rows] < quirk.at_s + 1.0)
    _set_aside(flight, rows, in_flight, Fate.ASLEEP)
    asked = _asked_rows(quirk, flight)
    flight.lost_out[asked] |= _during(quirk, flight, asked)


def _starve(quirk: Quirk, flight: Flight, rows: Rows) -> npt.NDArray[np.float32]:
    """Delays of a machine that is paused in half of all seconds, `size` seconds on average."""
    hit = _during(quirk, flight, rows) & (flight.rng.random((len(rows), flight.true_s.shape[1])) < 0.5)
    late = flight.rng.exponential(quirk.size, hit.shape).astype(np.float32)
    late[~hit] = 0.0
    flight.back_s[rows] += late
    return late


def _busy(quirk: Quirk, flight: Flight) -> None:
    rows = _own_rows(quirk, flight)
    late = _starve(quirk, flight, rows)
    # The agent notices most of its own lateness, not all.
    noticed = (late > 0.02) & (flight.rng.random(late.shape) < 0.7)
    _set_aside(flight, rows, noticed, Fate.BUSY)


def _steal(quirk: Quirk, flight: Flight) -> None:
    _busy(quirk, flight)
    _starve(quirk, flight, _asked_rows(quirk, flight))


def _clock_step(quirk: Quirk, flight: Flight) -> None:
    rows = _own_rows(quirk, flight)
    near = np.abs(flight.true_s[rows] - quirk.at_s) < RESYNC_S
    _set_aside(flight, rows, near, Fate.CLOCK_STEP)


def _power_save(quirk: Quirk, flight: Flight) -> None:
    """The first packet toward a host after it was idle waits for the radio to wake."""
    own, asked = _own_rows(quirk, flight), _asked_rows(quirk, flight)
    rows = np.concatenate((own, asked))
    if len(rows) == 0:
        return
    # Sessions keep their phase within the second, so the gap before each is the same every second.
    phase = flight.true_s[rows, 0] % 1.0
    order = np.argsort(phase)
    gap = np.empty(len(rows))
    gap[order] = np.diff(phase[order], prepend=phase[order[-1]] - 1.0)
    hit = _during(quirk, flight, rows) & (gap > IDLE_S)[:, None]
    hit &= flight.rng.random(hit.shape) < 0.7
    late = np.where(hit, flight.rng.uniform(*DOZE_S, hit.shape), 0.0).astype(np.float32)
    flight.back_s[own] += late[: len(own)]
    flight.out_s[asked] += late[len(own) :]


def _rate_limit(quirk: Quirk, flight: Flight) -> None:
    """A token bucket of one second's answers, shared by all who ask."""
    rows = pseudo_crossing(quirk.element, flight.sessions).along
    row, column = np.nonzero(_during(quirk, flight, rows))
    if len(row) == 0:
        return
    moments = flight.true_s[rows[row], column]
    tokens, last = quirk.size, float(moments.min())
    for i in np.argsort(moments, kind="stable"):
        now = float(moments[i])
        tokens, last = min(quirk.size, tokens + (now - last) * quirk.size), now
        if tokens >= 1.0:
            tokens -= 1.0
        else:
            flight.lost_out[rows[row[i]], column[i]] = True


def _route_change(quirk: Quirk, flight: Flight) -> None:
    rows = pseudo_crossing(quirk.element, flight.sessions).along
    flight.back_s[rows] += (_during(quirk, flight, rows) * quirk.size).astype(np.float32)


def _mains_noise(quirk: Quirk, flight: Flight) -> None:
    """Packets that meet the disturbed part of a mains half-cycle are sent again by the link, or lost."""
    crossing = link_crossings(flight.sessions).get(quirk.element)
    if crossing is None:
        return
    for way in (FaultWay.UP, FaultWay.DOWN):
        for rows, back in zip(crossing.legs(way), (False, True), strict=True):
            if len(rows) == 0:
                continue
            moments = flight.true_s[rows]
            # The mains' frequency wanders by some 0.02 Hz, so a session drifts through the half-cycle.
            cycle = 2 * (MAINS_HZ * moments + 0.4 * np.sin(moments / 37.0))
            hit = (cycle % 1.0 < quirk.size) & _during(quirk, flight, rows)
            delay, lost = flight.leg(back)
            again = flight.rng.uniform(0.004, 0.02, hit.shape)
            delay[rows] += np.where(hit, again, 0.0).astype(np.float32)
            lost[rows] |= hit & (flight.rng.random(hit.shape) < 0.1)


_PLAY: dict[QuirkKind, Callable[[Quirk, Flight], None]] = {
    QuirkKind.ABSENT: _absent,
    QuirkKind.ASLEEP: _asleep,
    QuirkKind.BUSY: _busy,
    QuirkKind.STEAL: _steal,
    QuirkKind.CLOCK_STEP: _clock_step,
    QuirkKind.POWER_SAVE: _power_save,
    QuirkKind.RATE_LIMIT: _rate_limit,
    QuirkKind.ROUTE_CHANGE: _route_change,
    QuirkKind.MAINS_NOISE: _mains_noise,
}


def apply_quirks(quirks: Iterable[Quirk], flight: Flight) -> None:
    """Let the quirks that touch this flight's time act on it; transfers act through the access queue."""
    first, last = float(flight.true_s.min()), float(flight.true_s.max())
    for quirk in quirks:
        play = _PLAY.get(quirk.kind)
        if (
            play is not None
            and quirk.at_s - RESYNC_S <= last
            and quirk.at_s + quirk.for_s + RESYNC_S >= first
        ):
            play(quirk, flight)
