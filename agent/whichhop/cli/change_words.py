"""What a change did, in words and small tables for a terminal."""

import math
from collections.abc import Sequence

from whichhop.cabling.expected_gain import against_expected
from whichhop.change.before_after import BeforeAfter, Part
from whichhop.change.effect import Answer, Effect, Measure
from whichhop.change.hours import HOUR_NS
from whichhop.change.measures import MEASURES
from whichhop.cli.table import table
from whichhop.cli.times import day_text
from whichhop.model.mark import Mark

HOURS_A_MONTH = 720
HEAD = ("", "before", "after", "change", "interval", "hours")


def _plain(measure: Measure, value: float | None) -> str:
    return "" if value is None else format(value * measure.scale, measure.shown)


def _signed(measure: Measure, value: float | None) -> str:
    return "" if value is None else format(value * measure.scale + 0.0, "+" + measure.shown)


def _interval(measure: Measure, effect: Effect) -> str:
    low, high = effect.low, effect.high
    if low is None or high is None:
        return ""
    if math.isinf(low) or math.isinf(high):
        return "too few hours"
    return f"{_signed(measure, low)} to {_signed(measure, high)}"


def _row(effect: Effect) -> tuple[str, ...]:
    measure = MEASURES[effect.measure]
    mark = {Answer.HELPED: " (better)", Answer.WORSE: " (worse)"}.get(effect.answer, "")
    return (
        f"  {measure.words}{f', {measure.unit}' if measure.unit else ''}",
        _plain(measure, effect.before),
        _plain(measure, effect.after),
        _signed(measure, effect.change) + mark,
        _interval(measure, effect),
        str(effect.hours),
    )


def _needed(part: Part) -> str:
    if part.needed is None:
        return ""
    if part.needed > HOURS_A_MONTH:
        return "; it would take over a month of matched hours to tell"
    return f"; about {part.needed} more matched hours would probably tell"


def _block(part: Part) -> list[tuple[str, ...]]:
    measured = [e for e in part.effects if e.answer is not Answer.UNMEASURED]
    head = f"{part.name}: {part.answer}{_needed(part)}"
    return [(head, "", "", "", "", ""), *(_row(e) for e in measured)]


def _tabled(title: str, parts: Sequence[Part]) -> list[str]:
    """The parts' blocks in one table; a block's head runs over all columns."""
    if not parts:
        return []
    rows = [row for part in parts for row in _block(part)]
    cells = [row for row in rows if any(row[1:])]
    lines = iter(table((title, *HEAD[1:]), cells).splitlines())
    out = ["", next(lines)]
    out += [next(lines) if any(row[1:]) else row[0] for row in rows]
    return out


def _sessions(parts: Sequence[Part]) -> list[str]:
    """Sessions that changed, one line each with the figures that did."""
    rows = []
    for part in parts:
        changed = [e for e in part.effects if e.answer in (Answer.HELPED, Answer.WORSE)]
        figures = (
            f"{MEASURES[e.measure].words} {_signed(MEASURES[e.measure], e.change)} {MEASURES[e.measure].unit}"
            for e in changed
        )
        if changed:
            rows.append((part.name, str(part.answer), "; ".join(f.rstrip() for f in figures)))
    return ["", *table(("Sessions", "answer", "what changed"), rows).splitlines()] if rows else []


def level_words(part: Part) -> str:
    """A group's level against what was worked out; "" where nothing was."""
    if part.expected_db is None or not part.effects or part.effects[0].change is None:
        return ""
    words = f"{part.name}: {against_expected(part.expected_db, part.effects[0].change)}"
    return words if words.endswith("?") else f"{words}."


def _summary(found: BeforeAfter) -> list[str]:
    out = []
    for answer in (Answer.HELPED, Answer.WORSE, Answer.MIXED):
        names = [p.name for p in (*found.links, *found.modem) if p.answer is answer]
        if names:
            out.append(f"{str(answer).capitalize()}: {', '.join(names)}.")
    if not out:
        some = any(p.answer in (Answer.HELPED, Answer.WORSE, Answer.MIXED) for p in found.sessions)
        return ["No link shows a difference; some sessions do." if some else "No difference shown anywhere."]
    same = sum(p.answer is Answer.NO_DIFFERENCE for p in found.links)
    if same:
        out.append(f"No difference shown: {same} of {len(found.links)} links.")
    return out


def _spans(found: BeforeAfter) -> list[str]:
    before, after = found.spans.before, found.spans.after
    effects = [e for p in (*found.links, *found.sessions, *found.modem) for e in p.effects if e.hours]
    most = max(effects, key=lambda e: e.hours, default=None)
    lines = [
        f"Before: {day_text(before.start * HOUR_NS)} to {day_text(before.stop * HOUR_NS)};"
        f" after: {day_text(after.start * HOUR_NS)} to {day_text(after.stop * HOUR_NS)}."
    ]
    if most is not None:
        kinds = f"{most.weekdays} on weekdays, {most.weekends} on weekends"
        lines.append(f"Same hours of day on both sides: {most.hours} ({kinds}).")
        if not most.apart:
            lines.append(
                "Weekdays and weekends are compared with each other, for want of enough of both:"
                " the difference may be theirs."
            )
    return lines


def _looks(found: BeforeAfter) -> list[str]:
    order = "First look" if found.look == 1 else f"Look {found.look}"
    effect = next((e for p in (*found.links, *found.modem) for e in p.effects), None)
    each = f" Each figure's interval holds with {100 * effect.confidence:.2f} %." if effect else ""
    return [
        f"{order} at this change.{each}",
        "A whole table errs in at most 5 % of changes that did nothing, all looks taken together.",
    ]


def _unmeasured(found: BeforeAfter) -> str:
    if found.measured:
        return ""
    return (
        "No hour of the day was measured both before and after: let the agents run through the same hours,"
        " or look further back with --before."
    )


def answer_text(home: str, number: int | None, mark: Mark, found: BeforeAfter | None, why: str) -> str:
    """The whole answer as it is printed."""
    note = f"note {number}, " if number is not None else ""
    lines = [f"{home}: {note}{day_text(mark.at_ns)}, {mark.text}"]
    if found is None:
        return "\n".join([*lines, why, ""])
    lines += _spans(found)
    nothing = _unmeasured(found)
    if nothing:
        return "\n".join([*lines, nothing, *(f"Note: {r}" for r in found.remarks), ""])
    lines += [*_looks(found), "", *_summary(found)]
    lines += [words for part in found.modem if (words := level_words(part))]
    lines += _tabled("Links", [p for p in found.links if p.answer is not Answer.UNMEASURED])
    lines += _tabled("Modem", [p for p in found.modem if p.answer is not Answer.UNMEASURED])
    lines += _sessions(found.sessions)
    rest = sum(p.answer is Answer.NO_DIFFERENCE for p in found.sessions)
    if rest:
        lines += ["", f"{rest} sessions show no difference; --json has their figures."]
    lines += [f"Note: {remark}." for remark in found.remarks]
    return "\n".join(lines) + "\n"
