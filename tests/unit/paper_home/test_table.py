"""The window table straight from the paper home against the one that the comparer cuts from records."""

import numpy as np
import pytest

from paper_home.paper import prepare
from paper_home.records import records_of_run
from paper_home.table import table_of_run
from support.paper import alder_house
from support.record_windows import table_of
from whichhop.lab.scenario import Effect, Fault, Quirk, QuirkKind
from whichhop.model import Cause
from whichhop.model.units import NS_PER_MINUTE

START_NS = 29_000_000 * NS_PER_MINUTE


def test_both_ways_from_packets_to_windows_agree() -> None:
    scenario = alder_house(
        seconds=3600,
        noise=1.0,
        faults=(
            Fault(
                at_s=600, for_s=300, element="attic/router", cause=Cause.BACKHAUL, effect=Effect(outage=True)
            ),
        ),
        quirks=(
            Quirk(at_s=1500, for_s=300, kind=QuirkKind.ASLEEP, element="host:desk"),
            Quirk(at_s=2400, for_s=200, kind=QuirkKind.BUSY, element="host:attic", size=0.1),
        ),
    )
    run = prepare(scenario, 4)
    direct = table_of_run(run, START_NS)
    cut = table_of(list(records_of_run(run, START_NS)), start_ns=START_NS, end_ns=direct.at_ns(direct.ticks))
    cut = cut.picked(direct.sessions)
    for name in ("sent", "lost", "lost_out", "lost_back", "aside"):
        assert np.array_equal(getattr(direct, name), getattr(cut, name)), name
    for name in ("q50_s", "q80_s"):
        ours, theirs = getattr(direct, name), getattr(cut, name)
        assert np.array_equal(np.isnan(ours), np.isnan(theirs)), name
        assert np.nanmax(np.abs(ours - theirs)) < 1e-6


def test_quantiles_are_numpys_own() -> None:
    # Oracle: numpy.quantile (type 7) of the answered packets of a tick.
    run = prepare(alder_house(seconds=600, noise=1.0), 8)
    table = table_of_run(run, START_NS)
    part = next(p for p in next(iter(run.chunks())) if p.interval_s == 1.0)
    for row, tick in ((0, 3), (5, 40), (9, 17)):
        rtt = part.rtt_s[row, tick * 10 : tick * 10 + 10]
        rtt = rtt[part.fate[row, tick * 10 : tick * 10 + 10] == 0].astype(np.float64)
        column = int(part.rows[row])
        assert table.q50_s[tick, column] == pytest.approx(np.quantile(rtt, 0.5), rel=1e-5)
        assert table.q80_s[tick, column] == pytest.approx(np.quantile(rtt, 0.8), rel=1e-5)
