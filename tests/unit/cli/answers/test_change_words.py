"""A change's effect in words: what is said first, and when."""

import math

import pytest
from msgspec.structs import replace

from whichhop.change.before_after import BeforeAfter, ComparedPart, Spans
from whichhop.change.effect import ChangeAnswer, ChangeEffect, Share
from whichhop.cli.answers.change_words import answer_text, level_words
from whichhop.model.note import Note

HOUR = 24 * 20_521
MARK = Note(at_ns=HOUR * 3600 * 10**9, text="took out the splitter")


def effect(measure: str, answer: ChangeAnswer, change: float, needed: int | None = None) -> ChangeEffect:
    return ChangeEffect(
        measure=measure,
        answer=answer,
        hours=20,
        confidence=0.99,
        before=0.01,
        after=0.01 + change,
        change=change,
        low=change - 0.001,
        high=change + 0.001,
        needed=needed,
        days_before=7,
        days_after=3,
    )


def part(name: str, *effects: ChangeEffect, expected_db: float | None = None) -> ComparedPart:
    return ComparedPart(name=name, answer=effects[0].answer, effects=effects, expected_db=expected_db)


def told(
    links: tuple[ComparedPart, ...] = (),
    sessions: tuple[ComparedPart, ...] = (),
    modem: tuple[ComparedPart, ...] = (),
) -> str:
    spans = Spans(before=range(HOUR - 24, HOUR), after=range(HOUR + 1, HOUR + 25))
    found = BeforeAfter(at_ns=MARK.at_ns, spans=spans, look=2, links=links, sessions=sessions, modem=modem)
    return answer_text("Alder House", 1, MARK, found, "")


SAME = effect("p50_s", ChangeAnswer.NO_DIFFERENCE, 0.0)
BETTER = effect("p50_s", ChangeAnswer.HELPED, -0.004)


def test_what_helped_comes_before_the_tables() -> None:
    text = told((part("desk/attic", SAME), part("attic/router", BETTER)))
    lines = text.splitlines()
    assert any(line.startswith("Look 2 at this change.") and "95 % confidence" in line for line in lines)
    assert lines.index("Helped: attic/router.") < lines.index("attic/router: helped")
    assert lines[1] == "Helped: attic/router."
    assert "Nothing worth noticing changed, for sure: desk/attic." in lines
    assert "-4.0 (better)" in text
    assert "Compared: 7 days before, 3 after, the same hours of day." in lines


def test_sessions_that_changed_are_not_hidden_by_links_that_did_not() -> None:
    rate = ChangeEffect(measure="rate_bps", answer=ChangeAnswer.HELPED, hours=9, confidence=0.99, change=35e6)
    text = told((part("desk/attic", SAME),), (part("desk from harbour", rate),))
    assert "No link shows a difference; some sessions do." in text
    assert "rate +35.0 Mbit/s" in text


def test_the_days_still_needed_are_told_and_two_months_are_not_counted_out() -> None:
    unclear = effect("p50_s", ChangeAnswer.NO_DIFFERENCE, -0.002, needed=4)
    words = "cannot be told from day-to-day variation yet; about 4 more days would probably tell"
    assert words in told((part("desk/attic", unclear),))
    hopeless = effect("p50_s", ChangeAnswer.NO_DIFFERENCE, -0.001, needed=0)
    assert "two more months would probably not tell either" in told((part("desk/attic", hopeless),))


def test_a_part_of_the_day_that_alone_changed_is_named_at_the_top() -> None:
    evening = Share(
        name="evening (18:00 to 24:00)",
        answer=ChangeAnswer.HELPED,
        change=-0.008,
        low=-0.009,
        high=-0.007,
        confidence=0.999,
    )
    shown = replace(BETTER, low=-0.005, high=0.001, when=evening.name, shares=(evening,))
    text = told((part("attic/router", shown),))
    assert "Helped: attic/router (only evening (18:00 to 24:00) for sure)." in text
    assert "-8.0 (better)" in text
    assert "-4.0 (better)" not in text


def test_what_happened_without_a_change_too_is_told() -> None:
    earlier = Share(
        name="the middle of the time before",
        answer=ChangeAnswer.HELPED,
        change=-0.003,
        low=-0.004,
        high=-0.002,
        confidence=0.95,
    )
    text = told((part("attic/router", replace(BETTER, earlier=earlier)),))
    assert "where nothing was changed, the same comparison shows -3.0 ms (-4.0 to -2.0)" in text


@pytest.mark.parametrize(
    ("change", "low", "high", "says"),
    [
        (3.4, 2.8, 4.0, "as worked out"),
        (3.4, -0.4, 7.2, "not told yet from how the level wanders by itself"),  # no change is not left out
        (0.1, -0.6, 0.8, "the level did not change as expected; is the part on the path to this modem?"),
        (8.0, 7.5, 8.5, "4.5 dB more than worked out"),
        (1.2, 0.6, 1.8, "2.3 dB less than worked out"),
        (3.4, -math.inf, math.inf, "too few days"),
    ],
)
def test_a_level_is_as_worked_out_only_when_no_change_is_ruled_out(
    change: float, low: float, high: float, says: str
) -> None:
    one = replace(effect("power_dbmv", ChangeAnswer.NO_DIFFERENCE, change), low=low, high=high)
    assert says in level_words(part("modem down sc-qam", one, expected_db=3.5))
    assert level_words(part("light", SAME)) == ""
