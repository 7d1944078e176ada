"""What each verb says of the same records where they once disagreed: clocks that are off, no quiet time."""

import json
from pathlib import Path
from typing import Any

import pytest

from support.stories import ALDER, BACKHAUL, HEAD_S, LINE, LOSSY, START_NS, PlayedStory, Story, played
from whichhop.cli import main
from whichhop.lab.scenario import Effect, Fault
from whichhop.model import Cause
from whichhop.model.units import NS_PER_S

pytestmark = pytest.mark.slow
Facts = tuple[str, tuple[str, ...], bool, int, int | None]


def facts(verdict: dict[str, Any]) -> Facts:
    """What must be alike, and where a verdict begins and ends."""
    cause, proven, start, end = (verdict[k] for k in ("cause", "proven", "start_ns", "end_ns"))
    return str(cause), tuple(verdict["elements"]), proven, start, end


def said(play: PlayedStory, capsys: pytest.CaptureFixture[str]) -> tuple[list[Facts], list[Facts], int]:
    """The verdicts of compare, those of evidence, and evidence's exit code."""
    base = [str(play.file), "--store", str(play.store), "--offline"]
    assert main(["compare", *base, "--json"]) == 0
    compared = json.loads(capsys.readouterr().out)
    report = play.folder / "report.json"
    code = main(["evidence", *base, "--json", str(report)])
    episodes = json.loads(report.read_text())["episodes"]
    return [facts(v) for v in compared["verdicts"]], [facts(h) for h in episodes], code


def test_a_clock_that_is_off_moves_no_verdict_and_blames_no_machine(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Live, status and evidence once did not put agents' clocks in line as compare does: they began a fault
    of the backhaul with the machine whose clock is two minutes ahead, and named that machine after it."""
    for_s = 300.0
    effect = Effect(delay_s=0.03, loss_ratio=0.05)
    story = Story(
        name="clock",
        home=ALDER,
        cause=Cause.BACKHAUL,
        step="",
        faults=(Fault(at_s=HEAD_S, for_s=for_s, element=BACKHAUL, cause=Cause.BACKHAUL, effect=effect),),
        seconds=1200.0,
        clocks_s={"desk": 120.0},
    )
    play = played(story, tmp_path)
    compared, reported, _ = said(play, capsys)
    begin = START_NS + round(HEAD_S) * NS_PER_S
    assert compared == [("backhaul", (BACKHAUL,), True, begin, begin + round(for_s) * NS_PER_S)]
    assert reported == compared
    bulletin = play.bulletin()
    assert [
        (str(t.verdict.cause), t.verdict.elements, t.verdict.proven, t.verdict.start_ns, t.verdict.end_ns)
        for t in bulletin.told
    ] == compared
    troubles = {a.name: a.trouble for a in bulletin.agents if a.trouble}
    assert list(troubles) == ["desk"]
    assert troubles["desk"].startswith("its clock is 120 s ahead of the others'")


def test_what_is_proven_of_the_line_from_the_first_packet_on_is_held_against_the_provider(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Where no time was quiet, evidence once said "not enough yet" of what every other verb called proven."""
    fault = Fault(at_s=0.0, for_s=900.0, element=LINE, cause=Cause.UPSTREAM_LINK, effect=LOSSY)
    play = played(
        Story(name="line", home=ALDER, cause=Cause.UPSTREAM_LINK, step="", faults=(fault,), seconds=900.0),
        tmp_path,
    )
    compared, reported, code = said(play, capsys)
    assert [v[:3] for v in compared] == [("upstream-link", (LINE,), True)]
    assert reported == compared
    assert code == 0
