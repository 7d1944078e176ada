"""What the simple methods share: excess over a session's median, and ticks joined to verdicts."""

import warnings
from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt
from msgspec import Struct

from whichhop.compare.suspects.elements import OWN_TRAFFIC, Element, elements_of
from whichhop.compare.windows.table import WindowTable
from whichhop.model import Cause, Home, Reading, Session, Verdict

Floats = npt.NDArray[np.float64]
DELAY_S = 0.015
"""The fixed threshold of the simple methods: what a caller begins to notice over a quiet line (practice)."""
LOSS = 0.2
"""Two packets of ten."""
BUSY = 0.6
"""Share of the plan from which the home's own traffic is held to fill the line."""
OPEN_TICKS = 2
CLOSE_TICKS = 3
MERGE_TICKS = 6


class View(Struct, frozen=True, kw_only=True):
    """What a simple method looks at: arrays (ticks, sessions), nan where nothing speaks."""

    home: Home
    sessions: tuple[Session, ...]
    elements: tuple[Element, ...]
    excess_s: Floats
    loss: Floats
    start_ns: int
    step_ns: int
    use: Floats | None
    """Share of the plan that the home used, (ticks,); None without counters."""


def use_of(home: Home, table: WindowTable, readings: Sequence[Reading]) -> Floats | None:
    """The higher of the shares of the plan used down and up in each tick, from the byte counters."""
    plans = {"wan_rx_bytes": home.plan.down_bps, "wan_tx_bytes": home.plan.up_bps} if home.plan else {}
    use = np.full(table.ticks, np.nan)
    for name, plan_bps in plans.items():
        points = [(r.at_ns, r.value) for r in readings if r.name == name]
        if len(points) > 1:
            at, value = np.array(points).T
            edges = table.start_ns + np.arange(table.ticks + 1, dtype=np.float64) * table.step_ns
            bits = np.diff(np.interp(edges, at, value)) * 8
            use = np.fmax(use, bits / (table.step_ns * 1e-9) / plan_bps)
    return None if np.isnan(use).all() else use


def view_of(home: Home, sessions: Sequence[Session], table: WindowTable, readings: Sequence[Reading]) -> View:
    """Excess of the tick's median over the run's median, and the share lost."""
    with np.errstate(all="ignore"), warnings.catch_warnings():
        # A session that was never answered has no median, and nothing to say.
        warnings.simplefilter("ignore", RuntimeWarning)
        base = np.nanmedian(table.q50_s, axis=0)
        sent = table.sent.astype(np.float64)
        loss = np.where(sent > 0, table.lost / np.maximum(sent, 1), np.nan)
    return View(
        home=home,
        sessions=tuple(sessions),
        elements=elements_of(home, sessions),
        excess_s=(table.q50_s - base).astype(np.float64),
        loss=loss,
        start_ns=table.start_ns,
        step_ns=table.step_ns,
        use=use_of(home, table, readings),
    )


def by_column(elements: Sequence[Element]) -> dict[frozenset[int], tuple[Element, ...]]:
    """Elements gathered by the sessions that cross them."""
    out: dict[frozenset[int], tuple[Element, ...]] = {}
    for element in elements:
        out[element.column] = (*out.get(element.column, ()), element)
    return out


def verdicts_of(view: View, blamed: dict[tuple[Element, ...], npt.NDArray[np.bool_]]) -> list[Verdict]:
    """Each group's blamed ticks as verdicts: two in a row open, three clear ones close, near ones merge."""
    out = []
    for group, ticks in _by_use(view, blamed):
        for first, end, detected in spans(ticks):
            causes = {e.cause for e in group}
            out.append(
                Verdict(
                    cause=causes.pop() if len(causes) == 1 else Cause.NOT_SEPARABLE,
                    elements=tuple(e.name for e in group),
                    # A method without a probability claims to be right.
                    probability=1.0,
                    start_ns=view.start_ns + first * view.step_ns,
                    end_ns=view.start_ns + end * view.step_ns,
                    detected_ns=view.start_ns + (detected + 1) * view.step_ns,
                )
            )
    return sorted(out, key=lambda v: v.start_ns)


def _by_use(
    view: View, blamed: dict[tuple[Element, ...], npt.NDArray[np.bool_]]
) -> Iterator[tuple[tuple[Element, ...], npt.NDArray[np.bool_]]]:
    """Where counters tell, the line's blame is the home's own while it is busy, and only then."""
    for group, ticks in blamed.items():
        own = tuple(e for e in group if e.name == OWN_TRAFFIC)
        if own and view.use is not None:
            busy = view.use > BUSY
            yield own, ticks & busy
            yield tuple(e for e in group if e.name != OWN_TRAFFIC), ticks & ~busy
        else:
            yield group, ticks


def spans(ticks: npt.NDArray[np.bool_]) -> list[tuple[int, int, int]]:
    """First tick, end and tick of detection of each episode in a row of blamed ticks."""
    found: list[tuple[int, int, int]] = []
    run, last, detected = 0, 0, 0
    first: int | None = None
    for t in np.flatnonzero(ticks):
        run = run + 1 if run and t == last + 1 else 1
        if first is not None and t - last > CLOSE_TICKS:
            found.append((first, last + 1, detected))
            first = None
        last = int(t)
        if first is None and run >= OPEN_TICKS:
            first, detected = int(t) - run + 1, int(t)
    if first is not None:
        found.append((first, last + 1, detected))
    merged: list[tuple[int, int, int]] = []
    for span in found:
        if merged and span[0] - merged[-1][1] < MERGE_TICKS:
            merged[-1] = (merged[-1][0], span[1], merged[-1][2])
        else:
            merged.append(span)
    return merged
