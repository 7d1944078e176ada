"""Whoever asks while something is wrong hears of that first: what was changed, what is free, the rest."""

import shlex
import shutil
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from msgspec.structs import replace

from unit.advice.test_rank import DAY, HOUR_NS, RUN, START, known, levels, line_tests, moved, only, verdict
from whichhop.advice.facts import HomeFacts, trouble, trouble_words
from whichhop.advice.rank import advise
from whichhop.advice.step import RecommendationKind, step_words
from whichhop.cli import main, parsed
from whichhop.model import Cause, Verdict
from whichhop.model.inner_cause import Cost
from whichhop.model.note import Note

SLOW_BACKHAUL = (moved("attic", "router", "back", 40.0),)


def lasting(cause: Cause, *elements: str, at_h: float = 23.5, proven: bool = True) -> Verdict:
    return replace(verdict(cause, *elements, at_h=at_h, proven=proven), end_ns=None)


def test_a_step_about_what_is_wrong_now_stands_before_a_dearer_gain_elsewhere() -> None:
    # Seen in three of four homes: the first recommendation belonged to another fault.
    past = verdict(Cause.BACKHAUL, "attic/router", hours=10)
    now = lasting(Cause.WIRELESS_HOP, "desk/attic")
    steps = advise(known(verdicts=(past, now), rates=SLOW_BACKHAUL))
    assert [s.key for s in steps if s.now] == ["recall-change", "help-radio-hop"]
    assert [s.now for s in steps[:2]] == [True, True]
    assert only(steps, "wire-backhaul").worth > only(steps, "help-radio-hop").worth
    healed = advise(known(verdicts=(past, replace(now, end_ns=START + DAY)), rates=SLOW_BACKHAUL))
    assert healed[0].key == "wire-backhaul"
    assert "recall-change" not in [s.key for s in healed]


def test_a_plan_that_is_not_delivered_waits_for_what_is_wrong_now() -> None:
    now = lasting(Cause.HOME_NODE, "node:router")
    steps = advise(known(verdicts=(now,), tests=line_tests(40.0)))
    assert [s.key for s in steps][:3] == ["recall-change", "look-at-box", "claim-plan"]


def test_free_steps_come_before_dear_ones() -> None:
    nows = (lasting(Cause.BACKHAUL, "attic/router"), lasting(Cause.WIRED_LAN, "study/router"))
    steps = [s for s in advise(known(verdicts=nows)) if s.now and s.key != "recall-change"]
    costs = [list(Cost).index(s.cost) for s in steps]
    assert len(steps) >= 2
    assert costs == sorted(costs)


def test_the_question_names_the_local_time_and_what_was_noted_shortly_before() -> None:
    now = lasting(Cause.WIRELESS_HOP, "desk/attic", at_h=20.5)
    notes = (
        Note(at_ns=now.start_ns - HOUR_NS // 4, text="moved the attic's box"),
        Note(at_ns=now.start_ns - 5 * HOUR_NS, text="new lamp"),
        Note(at_ns=now.start_ns + HOUR_NS // 4, text="moved it back"),
    )
    asked = only(
        advise(known(verdicts=(now,), notes=notes, zone=timezone(timedelta(hours=2)))), "recall-change"
    )
    # START is 12:00 UTC; 20.5 hours later it is 08:30 UTC of the next day, 10:30 in the home.
    day = f"{datetime.fromtimestamp(now.start_ns / 1e9, UTC):%Y-%m-%d}"
    assert asked.what == (
        f"Check what was noted at {day} 10:15:00 UTC+2, shortly before {day} 10:30:00 UTC+2:"
        " moved the attic's box"
    )
    bare = only(advise(known(verdicts=(now,), zone=timezone(timedelta(hours=2)))), "recall-change")
    assert bare.what == (
        "Ask whether desk or attic was moved, and what was put or plugged in near them,"
        f" shortly before {day} 10:30:00 UTC+2"
    )
    said = " ".join(asked.why)
    assert "moved the attic's box" in said
    assert "new lamp" not in said
    assert "moved it back" not in said


def test_a_fault_older_than_the_measurements_is_asked_about_as_such() -> None:
    now = replace(lasting(Cause.WIRELESS_HOP, "desk/attic", at_h=0.0), standing=True)
    asked = only(advise(known(verdicts=(now,))), "recall-change")
    assert "when measuring began, and when it was last well" in asked.what
    assert "it was there before measuring began" in trouble_words(
        trouble(known(verdicts=(now,)), lambda *_: True)
    )


@pytest.mark.parametrize(
    ("cause", "element", "says"),
    [
        (Cause.UPSTREAM_LINK, "modem/provider-edge", "the modem, its cables or a splitter"),
        (Cause.OWN_TRAFFIC, "own-traffic", "a backup, an update or a download"),
        (Cause.WIRED_LAN, "study/router", "the cable between study and router"),
        (Cause.HOME_NODE, "node:router", "whether router was moved, restarted"),
        (Cause.BEYOND, "beyond", None),
        (Cause.NAME_SERVICE, "resolver:first", None),
    ],
)
def test_what_is_asked_fits_the_cause(cause: Cause, element: str, says: str | None) -> None:
    asked = [s for s in advise(known(verdicts=(lasting(cause, element),))) if s.key == "recall-change"]
    assert [says in s.what for s in asked if says] == ([True] if says else [])
    assert len(asked) == (says is not None)


def test_levels_that_are_not_right_lead_to_a_step_without_a_cable_run() -> None:
    # Seen: uncorrectable and weak levels, and "nothing that was measured calls for a change".
    step = only(advise(known(levels=(levels(-17.0, -16.5, 1.0),))), "inspect-levels")
    # ITU-T J.222.1: -15 to +15 dBmV
    assert step.kind is RecommendationKind.FIX
    assert "its figures are outside what they should be" in step.what
    assert "downstream power is -17.0 dBmV, wanted -15 to +15 dBmV" in step.what
    assert "-17.0 dBmV" in " ".join(step.why)
    assert step.cautions
    assert "whichhop cabling alder.yaml --checklist" in step.commands
    assert not [s for s in advise(known(levels=(levels(1.0, -2.0),))) if s.where == "coax"]


def test_levels_that_a_change_of_the_cable_run_would_cure_are_told_once() -> None:
    keys = [s.key for s in advise(known(run=RUN, levels=(levels(-17.0, -16.5),)))]
    assert keys.count("change-cable-run") == 1
    assert "inspect-levels" not in keys


def all_kinds() -> list[HomeFacts]:
    """Homes whose steps, together, print every command that a step can print."""
    line = verdict(Cause.UPSTREAM_LINK, "modem/provider-edge", hours=2.4)
    return [
        known(),
        known(verdicts=(line,), lines=(None,)),
        known(verdicts=(replace(line, end_ns=line.start_ns + 10**11),), lines=(None,)),
        known(levels=(levels(-17.0, -16.5, 1.0),)),
        known(run=RUN, levels=(levels(-17.0, -16.5),)),
        known(tests=line_tests(40.0)),
        known(tests=line_tests(40.0, hindered=("attic/router",))),
        known(verdicts=(lasting(Cause.BACKHAUL, "attic/router"),), rates=SLOW_BACKHAUL),
    ]


def test_every_command_that_a_step_prints_is_one_that_the_program_takes() -> None:
    seen = set()
    for one in all_kinds():
        for name in ("alder.yaml", "my home's file.yaml"):  # a name that a shell would split
            for step in advise(replace(one, home_file=name)):
                for command in step.commands:
                    program, verb, *rest = shlex.split(command)
                    assert program == "whichhop"
                    args = parsed(verb, rest)
                    assert str(args.home) == name, command
                    seen.add(verb)
    assert seen >= {"transfer", "evidence", "cabling", "levels", "capacity"}


def test_a_printed_command_that_needs_no_network_runs_as_printed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    name = "my home's file.yaml"  # a name that a shell would split
    shutil.copy(Path(__file__).parents[3] / "configs" / "cable-levels.yaml", tmp_path / name)
    monkeypatch.chdir(tmp_path)
    steps = [step for one in all_kinds() for step in advise(replace(one, home_file=name))]
    words = {tuple(shlex.split(c)[1:]) for step in steps for c in step.commands}
    offline = sorted(w for w in words if w[0] == "cabling")
    assert len(offline) >= 2
    for one in offline:
        assert main(list(one)) == 0, one
        assert capsys.readouterr().out


def test_a_step_speaks_in_words_and_not_in_names_of_the_program() -> None:
    for one in all_kinds():
        for step in advise(one):
            assert not [w for w in step_words(step) if "Recommend" in w]
