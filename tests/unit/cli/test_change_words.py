"""A change's effect in words: what is said first, and when."""

from whichhop.change.before_after import BeforeAfter, Part, Spans
from whichhop.change.effect import Answer, Effect
from whichhop.cli.change_words import answer_text, level_words
from whichhop.model.mark import Mark

HOUR = 24 * 20_521
MARK = Mark(at_ns=HOUR * 3600 * 10**9, text="took out the splitter")


def effect(measure: str, answer: Answer, change: float, needed: int | None = None) -> Effect:
    return Effect(
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
        weekdays=15,
        weekends=5,
    )


def part(name: str, *effects: Effect, expected_db: float | None = None) -> Part:
    return Part(name=name, answer=effects[0].answer, effects=effects, expected_db=expected_db)


def told(links: tuple[Part, ...] = (), sessions: tuple[Part, ...] = (), modem: tuple[Part, ...] = ()) -> str:
    spans = Spans(before=range(HOUR - 24, HOUR), after=range(HOUR + 1, HOUR + 25))
    found = BeforeAfter(at_ns=MARK.at_ns, spans=spans, look=2, links=links, sessions=sessions, modem=modem)
    return answer_text("Alder House", 1, MARK, found, "")


SAME = effect("p50_s", Answer.NO_DIFFERENCE, 0.0)
BETTER = effect("p50_s", Answer.HELPED, -0.004)


def test_what_helped_comes_before_the_tables() -> None:
    text = told((part("desk/attic", SAME), part("attic/router", BETTER)))
    lines = text.splitlines()
    assert "Look 2 at this change. Each figure's interval holds with 99.00 %." in lines
    assert lines.index("Helped: attic/router.") < lines.index("attic/router: helped")
    assert "No difference shown: 1 of 2 links." in lines
    assert "-4.0 (better)" in text
    assert "Same hours of day on both sides: 20 (15 on weekdays, 5 on weekends)." in lines


def test_sessions_that_changed_are_not_hidden_by_links_that_did_not() -> None:
    rate = Effect(measure="rate_bps", answer=Answer.HELPED, hours=9, confidence=0.99, change=35e6)
    text = told((part("desk/attic", SAME),), (part("desk from harbour", rate),))
    assert "No link shows a difference; some sessions do." in text
    assert "rate +35.0 Mb/s" in text


def test_the_hours_still_needed_are_told_and_a_month_is_not_counted_out() -> None:
    unclear = effect("p50_s", Answer.NO_DIFFERENCE, -0.002, needed=30)
    assert "about 30 more matched hours would probably tell" in told((part("desk/attic", unclear),))
    hopeless = effect("p50_s", Answer.NO_DIFFERENCE, -0.001, needed=5000)
    assert "it would take over a month of matched hours to tell" in told((part("desk/attic", hopeless),))


def test_a_level_that_did_not_move_asks_for_the_part() -> None:
    still = part("modem down sc-qam", effect("power_dbmv", Answer.NO_DIFFERENCE, 0.1), expected_db=3.5)
    assert level_words(still) == (
        "modem down sc-qam: expected +3.5 dB, measured +0.1 dB:"
        " the level did not change; is the part on this modem's way?"
    )
    assert level_words(part("light", SAME)) == ""
