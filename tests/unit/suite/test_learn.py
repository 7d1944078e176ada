"""What the calibration is learnt from: counts of right verdicts, never from seeds that score."""

from pathlib import Path

from suite.__main__ import SEEDS, read_seeds
from suite.learn import counts, learnt
from suite.play import kept
from suite.scoring import Score, VerdictScore
from whichhop.model import Cause


def _verdict(cause: Cause, probability: float, *, right: bool) -> VerdictScore:
    return VerdictScore(
        cause=cause,
        probability=probability,
        right=right,
        among=right,
        proven=True,
        accuses=False,
        suspects=False,
        beside="fault",
    )


VERDICTS = (
    _verdict(Cause.BACKHAUL, 0.999, right=True),
    _verdict(Cause.BACKHAUL, 0.99, right=False),
    _verdict(Cause.BEYOND, 1.0, right=True),
    _verdict(Cause.BEYOND, 0.93, right=False),
)
SCORES = [
    Score(method="x", case="mixed:1", hours=1, run_s=1, labels=(), verdicts=VERDICTS, faults_home_side=0)
]


def test_sure_verdicts_are_counted_by_cause_and_the_others_together() -> None:
    assert counts(SCORES) == ({Cause.BACKHAUL: (2, 1), Cause.BEYOND: (1, 1)}, (1, 0))


def test_the_table_is_printed_as_it_is_written_in_the_source() -> None:
    found: dict[str, object] = {}
    exec(learnt(SCORES), {"Cause": Cause}, found)
    assert found == {
        "SURE_RIGHT": {Cause.BACKHAUL: (2, 1), Cause.BEYOND: (1, 1)},
        "UNSURE_RIGHT": (1, 0),
    }


def test_no_seed_is_both_learnt_from_and_scored() -> None:
    assert not set(read_seeds(SEEDS)) & set(read_seeds(SEEDS.with_name("development.txt")))


def test_a_kept_case_is_the_case_as_drawn(tmp_path: Path) -> None:
    drawn, again = (kept("confusing", 6, 0.5, tmp_path) for _ in range(2))
    assert len(list(tmp_path.rglob("*.pickle"))) == 1
    assert again.case == drawn.case
    assert (again.table.lost == drawn.table.lost).all()
