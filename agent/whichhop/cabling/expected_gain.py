"""What a change to the coax is expected to gain, kept with its note."""

from collections.abc import Sequence

from whichhop.cabling.what_if import CoaxChange, what_if
from whichhop.model.cable_run import Run
from whichhop.model.channel import Direction
from whichhop.model.note import ExpectedGain

DOWN_HZ = (100e6, 250e6, 400e6, 550e6, 700e6, 850e6, 1000e6)
UP_HZ = (10e6, 20e6, 30e6, 40e6, 60e6, 85e6)
"""Where gains are kept; in between they run straight: cable's loss bends little over 150 MHz."""


def expected_gains(run: Run, change: CoaxChange) -> tuple[ExpectedGain, ...]:
    """A change's gains by frequency, downstream and upstream, from the run as it is listed now."""
    down = what_if(run, change, DOWN_HZ).gains
    up = what_if(run, change, UP_HZ).gains
    return (
        *(
            ExpectedGain(
                direction=Direction.DOWN, frequency_hz=g.frequency_hz, gain_db=round(g.gain_db, 4) + 0.0
            )
            for g in down
        ),
        *(
            ExpectedGain(
                direction=Direction.UP,
                frequency_hz=g.frequency_hz,
                gain_db=round(g.upstream_gain_db, 4) + 0.0,
            )
            for g in up
        ),
    )


def expected_at(gains: Sequence[ExpectedGain], direction: Direction, frequency_hz: float) -> float | None:
    """The expected change of the level the modem shows, dB: received downstream, sent upstream.

    A gain lets the modem send less, so upstream the sign turns. Straight between the kept frequencies, held
    outside them; None where nothing is kept for that direction.
    """
    points = sorted((g.frequency_hz, g.gain_db) for g in gains if g.direction is direction)
    if not points:
        return None
    low = max((p for p in points if p[0] <= frequency_hz), default=points[0])
    high = min((p for p in points if p[0] >= frequency_hz), default=points[-1])
    share = 0.0 if high[0] == low[0] else (frequency_hz - low[0]) / (high[0] - low[0])
    gain = low[1] + share * (high[1] - low[1])
    return gain if direction is Direction.DOWN else -gain + 0.0
