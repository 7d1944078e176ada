"""One trouble is told once, however often and as whatever it is seen."""

import pytest
from msgspec.structs import replace

from whichhop.compare.standing.together import together
from whichhop.model import Cause, Severity, Verdict
from whichhop.model.units import NS_PER_S

OVER = {f"tower>{target}:echo": 0.01 for target in ("router", "modem", "harbour")}
STOOD = Verdict(
    cause=Cause.WIRED_LAN,
    elements=("tower/router",),
    probability=0.9,
    start_ns=0,
    end_ns=None,
    severity=Severity(sent=1000, lost=86, added_p50_s=0.0, loss_ratio=0.086, loss_low=0.070, loss_high=0.105),
    baseline={**OVER, "west>tower:stamp": 0.01},
    standing=True,
)
AGAIN = Verdict(
    cause=Cause.AGENT_HOST,
    elements=("host:tower",),
    probability=0.7,
    start_ns=3000 * NS_PER_S,
    end_ns=4000 * NS_PER_S,
    severity=Severity(sent=600, lost=47, added_p50_s=0.0, added_p95_s=0.001, loss_ratio=0.078, loss_high=0.1),
    baseline=OVER,
)


def test_a_loss_that_stood_is_not_laid_anew_at_a_machine_whose_packets_it_meets() -> None:
    assert together([STOOD], [AGAIN], 5000 * NS_PER_S) == [STOOD]


@pytest.mark.parametrize(
    "other",
    [
        replace(AGAIN, severity=Severity(sent=600, lost=120, added_p50_s=0.0, loss_ratio=0.2)),
        replace(AGAIN, severity=Severity(sent=600, lost=47, added_p50_s=0.03, loss_ratio=0.078)),
        replace(AGAIN, baseline={**OVER, "tower>west:stamp": 0.01}),
    ],
    ids=["loses more", "is slow too", "other packets"],
)
def test_what_is_more_than_stood_or_meets_others_is_told_beside_it(other: Verdict) -> None:
    assert together([STOOD], [other], 5000 * NS_PER_S) == [STOOD, other]


def test_a_loss_after_what_stood_was_over_is_told() -> None:
    over = replace(STOOD, end_ns=2000 * NS_PER_S)
    assert together([over], [AGAIN], 5000 * NS_PER_S) == [over, AGAIN]
