"""Every line of a text that YAML cannot parse: each is put right as it was surely or probably meant.

A repair counts when the library gets further with it than without; lines are never added or removed.
"""

import re
from collections.abc import Callable, Iterator, Sequence

from msgspec import Struct

from whichhop.config.syntax_mistakes import INDENT, ODD, Mistake, Stop, mistake_of

Parse = Callable[[str], Stop | None]
"""Where and why the YAML library stops in a text; None where it does not."""
MOST_MISTAKES = 20
MOST_PARSED = 1_500_000
"""Characters that are parsed again in all: some seconds on a small machine, whatever the text."""
_NEIGHBOURS = 8
_VALUE = re.compile(r"""(?:^\s*(?:- )*|[:,\[{]\s+|[\[{])(?P<quote>["'])""")


class Repaired(Struct, frozen=True, kw_only=True):
    """mistakes: in their order. text: sound YAML of as many lines; None where what was meant is a guess."""

    mistakes: tuple[Mistake, ...]
    text: str | None


class _Repair(Struct, frozen=True, kw_only=True):
    """sure: nothing else can have been meant. mistake: where the library's own place is not the cause."""

    lines: list[str]
    sure: bool
    mistake: Mistake | None = None


def repaired(text: str, parse: Parse) -> Repaired:
    """What is wrong in a text at which the library stops."""
    found: list[Mistake] = []
    sure, parsed = True, 0
    lines = text.splitlines() or [""]
    stop = parse("\n".join(lines))
    while stop is not None and len(found) < MOST_MISTAKES:
        best: _Repair | None = None
        after: Stop | None = stop
        for look in _LOOKS:
            for repair in look(stop):
                parsed += len(text)
                if parsed > MOST_PARSED:
                    break
                reached = parse("\n".join(repair.lines))
                if _reach(reached) > _reach(after):
                    best, after = repair, reached
            if best is not None:
                break
        found.append((best and best.mistake) or mistake_of(stop))
        if best is None:
            return Repaired(mistakes=_once(found), text=None)
        sure, lines, stop = sure and best.sure, best.lines, after
    return Repaired(mistakes=_once(found), text="\n".join(lines) + "\n" if sure and stop is None else None)


def _once(found: Sequence[Mistake]) -> tuple[Mistake, ...]:
    return tuple(sorted({(m.line, m.remedy): m for m in reversed(found)}.values(), key=lambda m: m.line))


def _reach(stop: Stop | None) -> tuple[float, float, int]:
    """How far a text is understood: the line of its next mistake, and where the library stops for it."""
    if stop is None:
        return float("inf"), 0.0, 0
    return float(mistake_of(stop).line), float(stop.at), stop.column


def _with(stop: Stop, at: int, line: str, *, sure: bool, mistake: Mistake | None = None) -> _Repair:
    lines = [*stop.lines[:at], line, *stop.lines[at + 1 :]]
    return _Repair(lines=lines, sure=sure, mistake=mistake)


def _tabs(stop: Stop) -> Iterator[_Repair]:
    """All lines at once, whose tabs stand for two, four or eight blanks."""
    tabbed = [i for i, line in enumerate(stop.lines) if "\t" in line[: len(line) - len(line.lstrip())]]
    if not tabbed:
        return
    more = f" (and {len(tabbed) - 1} lines more, to line {tabbed[-1] + 1})" if len(tabbed) > 1 else ""
    which = frozenset(tabbed)
    mistake = Mistake(
        line=tabbed[0],
        problem=f"not YAML: a line is indented by tabs{more}",
        remedy="indent with blanks, never with tabs",
    )
    for width in (2, 4, 8):
        yield _Repair(
            lines=[line.expandtabs(width) if i in which else line for i, line in enumerate(stop.lines)],
            sure=True,
            mistake=mistake,
        )


def open_quote(line: str) -> int | None:
    """Where a quote begins that is not closed on its line."""
    at = 0
    while (found := _VALUE.search(line, at)) is not None:
        if "#" in line[at : found.start("quote")] and re.search(r"(^|\s)#", line[at : found.start("quote")]):
            return None
        begin, quote = found.start("quote"), found["quote"]
        inner = r'(?:[^"\\]|\\.)*"' if quote == '"' else r"(?:[^']|'')*'"
        closed = re.compile(inner).match(line, begin + 1)
        if closed is None:
            return begin
        at = closed.end()
    return None


def _quotes(stop: Stop) -> Iterator[_Repair]:
    """The first line up to here with a quote that is left open, closed where its value ends."""
    for i, line in enumerate(stop.lines[: stop.at + 1]):
        if (begin := open_quote(line)) is not None:
            mistake = Mistake(
                line=i, problem="not YAML: a quote is opened and never closed", remedy="close it"
            )
            body, quote = line.rstrip(), line[begin]
            end = re.compile(r"[,}\]]|\s#").search(body, begin)
            places = [end.start(), len(body)] if end else [len(body)]
            for place in places:
                closed = body[:place] + quote + body[place:]
                yield _with(stop, i, closed, sure=True, mistake=mistake)
            return


def _signs(stop: Stop) -> Iterator[_Repair]:
    for i in stop.near:
        plain = stop.lines[i]
        for sign, (_, meant) in ODD.items():
            plain = plain.replace(sign, meant)
        if plain != stop.lines[i]:
            yield _with(stop, i, plain, sure=True)


def _colons(stop: Stop) -> Iterator[_Repair]:
    for i in stop.near:
        line = stop.lines[i]
        for pattern, plain in (
            (r"^(\s*(?:- )?[\w -]+?)\s*=\s*", r"\1: "),
            (r"^(\s*(?:- )?[A-Za-z][\w-]*):(?![ /\s]|$)", r"\1: "),
        ):
            if (mended := re.sub(pattern, plain, line, count=1)) != line:
                yield _with(stop, i, mended, sure=True)


def _brackets(stop: Stop) -> Iterator[_Repair]:
    """A bracket closed at the end of its line; a comma before a key that stands where none may."""
    at = stop.context_at
    if at is None or "flow" not in stop.context:
        return
    body, _, remark = stop.lines[at].partition(" #")
    closing = _closing(body)
    if closing:
        tail = f" #{remark}" if remark else ""
        yield _with(stop, at, f"{body.rstrip().rstrip(',')}{closing}{tail}", sure=True)
    for i in dict.fromkeys((at, *stop.near)):
        spaced = re.sub(r"(?<=[\w\"'\]}])\s+(?=[\w-]+:\s)", ", ", stop.lines[i])
        lead = len(stop.lines[i]) - len(stop.lines[i].lstrip())
        if spaced[lead:] != stop.lines[i][lead:]:
            yield _with(stop, i, spaced, sure=True)


def _closing(body: str) -> str:
    """The brackets that a line leaves open, closed."""
    open_: list[str] = []
    for sign in re.sub(r"\"[^\"]*\"|'[^']*'", "", body):
        if sign in "{[":
            open_.append("}" if sign == "{" else "]")
        elif sign in "}]" and open_ and open_[-1] == sign:
            open_.pop()
    return "".join(reversed(open_))


def _indents(stop: Stop) -> Iterator[_Repair]:
    """The line in the column of one of those above it, the nearest first."""
    if not re.search("<block end>|mapping values|block", stop.problem + stop.context):
        return
    for at in (stop.at, stop.before):
        mine = stop.lines[at]
        above = [line for line in stop.lines[:at] if line.strip() and not line.lstrip().startswith("#")]
        columns = dict.fromkeys(len(line) - len(line.lstrip()) for line in reversed(above[-_NEIGHBOURS:]))
        for column in (*columns, *(c + 2 for c in columns)):
            if column != len(mine) - len(mine.lstrip()):
                moved = Mistake(
                    line=at,
                    problem="not YAML: indented otherwise than the lines that it belongs to",
                    remedy=INDENT,
                )
                told = mistake_of(stop)
                line = " " * column + mine.lstrip()
                yield _with(stop, at, line, sure=False, mistake=moved if told.remedy == INDENT else None)


def _quoted(stop: Stop) -> Iterator[_Repair]:
    """A value that YAML cannot read bare, in quotes."""
    found = re.match(r"(\s*(?:- )?[\w-]+:\s+)(\S.*?)\s*$", stop.lines[stop.at])
    if found is not None and found[2][0] not in "{[":
        bare = re.sub(r"[\"']", "", found[2])
        yield _with(stop, stop.at, f'{found[1]}"{bare}"', sure=True)


def _left_out(stop: Stop) -> Iterator[_Repair]:
    yield _with(stop, stop.at, "", sure=False)


_LOOKS = (_tabs, _quotes, _signs, _colons, _brackets, _quoted, _indents, _left_out)
"""The first that gets further is taken: what is meant for certain comes before what is a guess."""
