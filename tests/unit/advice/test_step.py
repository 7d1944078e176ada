"""Steps in words: every gain is an upper bound with its unit, and one line says what to do and what for."""

import pytest
from msgspec.structs import replace

from whichhop.advice.step import (
    Recommendation,
    RecommendationKind,
    RecommendedGain,
    Way,
    step_line,
    step_lines,
    step_words,
)
from whichhop.cabling.cautions import CAUTIONS, DEFER, Hazard, cautions_for
from whichhop.model.inner_cause import Cost, Effort


@pytest.mark.parametrize(
    ("gain", "words"),
    [
        (
            RecommendedGain(value=52e6, unit="bps", before=41e6, after=93e6, about="down"),
            "at most 52.0 Mbit/s more down (41.0 Mbit/s to 93.0 Mbit/s)",
        ),
        (
            RecommendedGain(value=3.5, unit="db", before=-9.5, after=-6.0, about="at the modem"),
            "at most +3.5 dB at the modem (-9.5 dBmV to -6.0 dBmV)",
        ),
        (
            RecommendedGain(value=5400, unit="s", about="in the 24.0 h judged"),
            "at most 1 h 30 min of fault less in the 24.0 h judged",
        ),
        (RecommendedGain(value=1, unit="groups"), "at most 1 group of links told apart"),
        (RecommendedGain(value=2, unit="groups"), "at most 2 groups of links told apart"),
    ],
)
def test_a_gain_is_an_upper_bound_with_its_unit(gain: RecommendedGain, words: str) -> None:
    assert gain.words == words


def test_one_line_says_what_to_do_and_what_for() -> None:
    gain = RecommendedGain(value=60, unit="s", about="in the 2.0 h judged")
    step = Recommendation(
        key="a",
        kind=RecommendationKind.FIX,
        what="Wire it",
        where="x",
        why=("y",),
        gains=(gain,),
        effort=Effort.HOUR,
    )
    assert (
        step_line(step) == "Wire it: at most 1 min of fault less in the 2.0 h judged (effort: about an hour)"
    )
    ongoing = replace(step, now=True)
    assert step_line(ongoing) == "Wire it (effort: about an hour)."
    dangerous = replace(ongoing, brings="no radio", cautions=("Mind the mains.", "Codes decide."))
    said = "Wire it; should bring no radio (effort: about an hour). Caution: Mind the mains. Codes decide."
    assert step_line(dangerous) == said
    asked = Recommendation(
        key="b",
        kind=RecommendationKind.MEASURE,
        what="Measure it",
        where="x",
        why=("y",),
        commands=("whichhop x",),
    )
    assert step_line(asked) == "Measure it: whichhop x"
    assert step_words(asked) == ("Measure it.", "Why: y.", "Effort: minutes; no cost.", "Command: whichhop x")


def test_cautions_of_one_way_stand_under_it_and_those_of_all_at_the_end() -> None:
    hazards = ((Hazard.MAINS, Hazard.WALL), (Hazard.MAINS, Hazard.ALARM))
    ways = tuple(
        Way(words=w, ceiling_bps=1e9, low_bps=1e9, effort=Effort.HOUR, cost=Cost.SMALL, hazards=h)
        for w, h in zip(("a cable", "coax adapters"), hazards, strict=True)
    )
    step = Recommendation(
        key="wire",
        kind=RecommendationKind.FIX,
        what="Wire it",
        where="x",
        why=("y",),
        ways=ways,
        cautions=cautions_for(h for w in ways for h in w.hazards),
    )
    lines = step_lines(step)
    cable, coax = (next(i for i, line in enumerate(lines) if w.words in line) for w in ways)
    assert lines[cable + 1] == f"  ! {CAUTIONS[Hazard.WALL]}"
    assert lines[coax + 1] == f"  ! {CAUTIONS[Hazard.ALARM]}"
    assert lines[-2:] == (f"! {CAUTIONS[Hazard.MAINS]}", f"! {DEFER}")
    assert len(lines) == len(set(lines))
