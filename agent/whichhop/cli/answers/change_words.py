"""What a change did, in words and small tables for a terminal."""

import math
from collections.abc import Sequence

from whichhop.change.before_after import BeforeAfter, ComparedPart
from whichhop.change.effect import ChangeAnswer, ChangeEffect, ComparedMeasure, Share
from whichhop.change.hours import HOUR_NS
from whichhop.change.measures import MEASURES, against_worked_out
from whichhop.cli.text import instant_text, table
from whichhop.model.note import Note

DAYS_A_WEEK = 7
"""A drift that a week makes nothing noticeable of is not worth a line."""
HEAD = ("", "before", "after", "change", "confidence interval", "days")


def _plain(measure: ComparedMeasure, value: float | None) -> str:
    return "" if value is None else format(value * measure.scale, measure.shown)


def _signed(measure: ComparedMeasure, value: float | None) -> str:
    return "" if value is None else format(value * measure.scale + 0.0, "+" + measure.shown)


def _ends(measure: ComparedMeasure, low: float | None, high: float | None) -> str:
    if low is None or high is None:
        return ""
    if math.isinf(low) or math.isinf(high):
        return "too few days"
    return f"{_signed(measure, low)} to {_signed(measure, high)}"


_BETTER = {ChangeAnswer.HELPED: " (better)", ChangeAnswer.WORSE: " (worse)"}


def _row(effect: ChangeEffect) -> tuple[str, ...]:
    measure = MEASURES[effect.measure]
    # Where only a part of the day shows it, that part's own row says so.
    mark = "" if any(effect.when == s.name for s in effect.shares) else _BETTER.get(effect.answer, "")
    return (
        f"  {measure.words}{f', {measure.unit}' if measure.unit else ''}",
        _plain(measure, effect.before),
        _plain(measure, effect.after),
        _signed(measure, effect.change) + mark,
        _ends(measure, effect.low, effect.high),
        f"{effect.days_before}+{effect.days_after}",
    )


def _share_row(measure: ComparedMeasure, share: Share) -> tuple[str, ...]:
    mark = _BETTER.get(share.answer, "")
    change = _signed(measure, share.change) + mark
    return (f"    {share.name}", "", "", change, _ends(measure, share.low, share.high), "")


def _rows(effect: ChangeEffect) -> list[tuple[str, ...]]:
    measure = MEASURES[effect.measure]
    told = [s for s in effect.shares if s.answer in _BETTER and s.name in effect.when]
    return [_row(effect), *(_share_row(measure, s) for s in told)]


def needed_words(days: int | None) -> str:
    """How many further days would probably tell."""
    if days is None:
        return ""
    if days == 0:
        return "cannot be told from day-to-day variation; two more months would probably not tell either"
    more = "1 more day" if days == 1 else f"{days} more days"
    return f"cannot be told from day-to-day variation yet; about {more} would probably tell"


def _answer(part: ComparedPart) -> str:
    if part.answer is not ChangeAnswer.NO_DIFFERENCE:
        return f"{part.answer}{f', {part.when}' if part.when else ''}"
    open_ = needed_words(part.needed)
    why = next((e.why for e in part.effects if e.why), "")
    return (open_ or "no difference worth noticing") + (f" ({why})" if why else "")


def _block(part: ComparedPart) -> list[tuple[str, ...]]:
    measured = [e for e in part.effects if e.answer is not ChangeAnswer.UNMEASURED]
    head = f"{part.name}: {_answer(part)}"
    return [(head, "", "", "", "", ""), *(row for e in measured for row in _rows(e))]


def _tabled(title: str, parts: Sequence[ComparedPart]) -> list[str]:
    """The parts' blocks in one table; a block's head runs over all columns."""
    if not parts:
        return []
    rows = [row for part in parts for row in _block(part)]
    cells = [row for row in rows if any(row[1:])]
    lines = iter(table((title, *HEAD[1:]), cells).splitlines())
    out = ["", next(lines)]
    out += [next(lines) if any(row[1:]) else row[0] for row in rows]
    return out


def _sessions(parts: Sequence[ComparedPart]) -> list[str]:
    """Sessions that changed, one line each with the figures that did."""
    rows = []
    for part in parts:
        changed = [e for e in part.effects if e.answer in _BETTER]
        figures = (
            f"{MEASURES[e.measure].words} {_signed(MEASURES[e.measure], e.change)} {MEASURES[e.measure].unit}"
            f"{f', {e.when}' if e.when else ''}"
            for e in changed
        )
        if changed:
            rows.append((part.name, str(part.answer), "; ".join(f.rstrip() for f in figures)))
    return ["", *table(("Sessions", "answer", "what changed"), rows).splitlines()] if rows else []


def level_words(part: ComparedPart) -> str:
    """A group's level against what was worked out; "" where nothing was."""
    if part.expected_db is None or not part.effects:
        return ""
    words = against_worked_out(part.expected_db, part.effects[0])
    return f"{part.name}: {words}." if words else ""


def _summary(found: BeforeAfter) -> list[str]:
    out = []
    parts = (*found.links, *found.modem)
    for answer in (ChangeAnswer.HELPED, ChangeAnswer.WORSE, ChangeAnswer.MIXED):
        names = [
            p.name + (f" (only {p.when} for sure)" if p.when else "") for p in parts if p.answer is answer
        ]
        if names:
            out.append(f"{str(answer).capitalize()}: {', '.join(names)}.")
    if not out:
        some = any(p.answer in (*_BETTER, ChangeAnswer.MIXED) for p in found.sessions)
        out.append(
            "No link shows a difference; some sessions do." if some else "No difference shown anywhere."
        )
    same = [p for p in parts if p.answer is ChangeAnswer.NO_DIFFERENCE]
    open_ = [p for p in same if p.needed is not None]
    if len(same) > len(open_):
        sure = [p.name for p in same if p.needed is None]
        out.append(f"Nothing worth noticing changed, for sure: {', '.join(sure)}.")
    if open_:
        days = [p.needed for p in open_]
        most = 0 if 0 in days else max(d or 0 for d in days)
        out.append(f"{', '.join(p.name for p in open_)}: {needed_words(most)}.")
    out += dict.fromkeys(_drift(p, e) for p in parts for e in p.effects if _drift(p, e))
    return out


def _drift(part: ComparedPart, effect: ChangeEffect) -> str:
    """A drift, or a time before in which the same happened without a change; "" where neither shows."""
    measure = MEASURES[effect.measure]
    whose, earlier, drift = f"{part.name}, {measure.words}", effect.earlier, effect.drift_a_day
    if earlier is not None and earlier.answer is not ChangeAnswer.NO_DIFFERENCE:
        ends = _ends(measure, earlier.low, earlier.high)
        return (
            f"{whose}: in the middle of the time before, where nothing was changed, the same comparison"
            f" shows {_signed(measure, earlier.change)} {measure.unit} ({ends})."
        )
    if drift is None or effect.needed is None or abs(drift) * DAYS_A_WEEK < measure.least:
        return ""
    return f"{whose}: drifts by {format(drift * measure.scale, '+.2g')} {measure.unit} a day all the time."


def _spans(found: BeforeAfter) -> list[str]:
    before, after, past = found.spans.before, found.spans.after, found.spans.past
    effects = [e for p in (*found.links, *found.sessions, *found.modem) for e in p.effects if e.hours]
    most = max(effects, key=lambda e: e.hours, default=None)
    lines = [
        f"Before: {instant_text(before.start * HOUR_NS)} to {instant_text(before.stop * HOUR_NS)};"
        f" after: {instant_text(after.start * HOUR_NS)} to {instant_text(after.stop * HOUR_NS)}."
    ]
    if most is not None:
        words = f"Compared: {most.days_before} days before, {most.days_after} after, the same hours of day"
        if past:
            words += f"; how days differ is learned from {instant_text(past.start * HOUR_NS)} on"
        lines.append(f"{words}.")
    return lines


def _looks(found: BeforeAfter) -> list[str]:
    order = "First look" if found.look == 1 else f"Look {found.look}"
    whole = f"{100 * found.confidence:.0f} %"
    return [
        f"{order} at this change. All that is said here, at this look and at others, holds together"
        f" with {whole} confidence."
    ]


def _unmeasured(found: BeforeAfter) -> str:
    if found.measured:
        return ""
    return (
        "No hour of the day was measured both before and after: let the agents run through the same hours,"
        " or look further back with --before."
    )


def answer_text(home: str, number: int | None, noted: Note, found: BeforeAfter | None, why: str) -> str:
    """The whole answer as it is printed."""
    note = f"note {number}, " if number is not None else ""
    change = f" ({noted.change})" if noted.change else ""
    lines = [f"{home}: {note}{instant_text(noted.at_ns)}, {noted.text}{change}"]
    if found is None:
        return "\n".join([*lines, why, ""])
    nothing = _unmeasured(found)
    if nothing:
        return "\n".join([*lines, *_spans(found), nothing, *(f"Note: {r}" for r in found.remarks), ""])
    lines += _summary(found)
    lines += [words for part in found.modem if (words := level_words(part))]
    lines += ["", *_spans(found), *_looks(found)]
    lines += _tabled("Links", [p for p in found.links if p.answer is not ChangeAnswer.UNMEASURED])
    lines += _tabled("Modem", [p for p in found.modem if p.answer is not ChangeAnswer.UNMEASURED])
    lines += _sessions(found.sessions)
    rest = sum(p.answer is ChangeAnswer.NO_DIFFERENCE for p in found.sessions)
    if rest:
        lines += ["", f"{rest} sessions show no difference; --json has their figures."]
    lines += [f"Note: {remark}." for remark in found.remarks]
    return "\n".join(lines) + "\n"
