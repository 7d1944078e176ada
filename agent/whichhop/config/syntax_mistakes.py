"""What is probably wrong with a line that YAML cannot parse, and what to do about it."""

import re
from collections.abc import Sequence

from msgspec import Struct

INDENT = "begin it in the same column as its neighbours, with blanks"
ODD: dict[str, tuple[str, str]] = {
    "\u00a0": ("a no-break space", " "),
    "\u2007": ("a figure space", " "),
    "\u202f": ("a narrow no-break space", " "),
    "\u3000": ("a wide blank", " "),
    "\u200b": ("an invisible blank", ""),
    "\u2013": ("a typographic dash", "-"),
    "\u2014": ("a typographic dash", "-"),
    "\u2212": ("a typographic minus sign", "-"),
    "\u2022": ("a bullet", "-"),
    "\uff1a": ("a wide colon", ":"),
    "\uff0c": ("a wide comma", ","),
    **dict.fromkeys("\u2018\u2019", ("a typographic quote", "'")),
    **dict.fromkeys("\u201c\u201d\u201e\u00ab\u00bb", ("a typographic quote", '"')),
}
"""Signs that look like others: what they are called, and what is meant."""


class Mistake(Struct, frozen=True, kw_only=True):
    """line: counted from 0."""

    line: int
    problem: str
    remedy: str


def _before(lines: Sequence[str], at: int) -> int:
    """The last line before `at` that says something; `at` itself where there is none."""
    for i in range(at - 1, -1, -1):
        if lines[i].strip() and not lines[i].lstrip().startswith("#"):
            return i
    return at


class Stop(Struct, frozen=True, kw_only=True):
    """Where and why the YAML library stopped. before: the last line above that says something.

    at, column, context_at: counted from 0; the last where what was being read began.
    """

    lines: list[str]
    at: int
    column: int
    before: int
    problem: str
    context: str
    context_at: int | None

    @property
    def here(self) -> str:
        """The line itself."""
        return self.lines[self.at]

    @property
    def said(self) -> str:
        """Its own words."""
        return f"not YAML: {self.problem}" + (f" {self.context}" if self.context else "")

    @property
    def near(self) -> tuple[int, ...]:
        """Where the mistake may be: the line before and this one."""
        return tuple(dict.fromkeys((self.before, self.at)))


def _tab(stop: Stop) -> Mistake | None:
    here = stop.here
    if "\t" in here[: len(here) - len(here.lstrip())] or "'\\t'" in stop.problem:
        return Mistake(line=stop.at, problem=stop.said, remedy="indent with blanks, never with tabs")
    return None


def _odd_sign(stop: Stop) -> Mistake | None:
    for i in reversed(stop.near):
        for sign, (name, _) in ODD.items():
            if sign in stop.lines[i]:
                return Mistake(
                    line=i, problem=f"not YAML: {name}", remedy="type a plain blank, hyphen or quote"
                )
    return None


def _open_quote(stop: Stop) -> Mistake | None:
    if "quoted scalar" not in stop.context or "end of stream" not in stop.problem or stop.context_at is None:
        return None
    return Mistake(
        line=stop.context_at, problem="not YAML: a quote is opened and never closed", remedy="close it"
    )


def _no_colon(stop: Stop) -> Mistake | None:
    for i in stop.near:
        line = stop.lines[i]
        if ": " in line:
            continue
        if re.match(r"\s*(- )?[\w -]+?\s*=", line):
            key, _, value = line.partition("=")
            remedy = f"write {key.strip()}: {value.strip()}"[:80]
            return Mistake(line=i, problem="not YAML: an = where a colon belongs", remedy=remedy)
        if found := re.match(r"\s*(?:- )?([A-Za-z][\w-]*):(?![ /\s]|$)", line):
            remedy = f"put a blank after {found[1]}:"
            return Mistake(line=i, problem="not YAML: no blank after a colon", remedy=remedy)
    return None


def _open_bracket(stop: Stop) -> Mistake | None:
    if "flow" not in stop.context or stop.context_at is None:
        return None
    if re.search(r"::\s*[,}\]]", stop.here):
        return Mistake(line=stop.at, problem=stop.said, remedy="quote an address that ends in colons")
    opened = (
        f"the bracket opened on line {stop.context_at + 1} is not closed, or a comma is missing before this"
    )
    return Mistake(line=stop.at, problem=f"not YAML: {opened}", remedy="close it, or add the comma")


def _block(stop: Stop) -> Mistake | None:
    if "<block end>" not in stop.problem:
        return None
    if "<scalar>" in stop.problem and re.search(r"['\"]", stop.here):
        problem = "not YAML: text goes on behind a closing quote"
        return Mistake(line=stop.at, problem=problem, remedy="put it all in one pair of quotes")
    problem = "not YAML: indented otherwise than the lines that it belongs to"
    return Mistake(line=stop.at, problem=problem, remedy=INDENT)


def _wanting_quotes(stop: Stop) -> Mistake | None:
    if "mapping values" in stop.problem:
        several = stop.here.count(": ") > 1
        remedy = "quote a value that has a colon in it" if several else f"check colons and quotes; {INDENT}"
        return Mistake(line=stop.at, problem=stop.said, remedy=remedy)
    if re.search(r"cannot start any token|undefined alias|anchor|alias|tag", stop.said):
        remedy = "quote a value that begins with a sign, such as @ * & ! %"
        return Mistake(line=stop.at, problem=stop.said, remedy=remedy)
    return None


def _two_files(stop: Stop) -> Mistake | None:
    if "another document" not in stop.problem:
        return None
    remedy = "keep one home a file, and remove the line ---"
    return Mistake(line=stop.at, problem="not YAML: a second document begins", remedy=remedy)


_LOOKS = (_tab, _odd_sign, _open_quote, _no_colon, _open_bracket, _two_files, _block, _wanting_quotes)


def stop_at(
    text: str, at: int, problem: str, *, context: str = "", context_at: int | None = None, column: int = 0
) -> Stop:
    """What the YAML library says of a text, with the lines around it."""
    lines = text.splitlines() or [""]
    at = min(at, len(lines) - 1)
    return Stop(
        lines=lines,
        at=at,
        column=column,
        before=_before(lines, at),
        problem=problem,
        context=context,
        context_at=context_at,
    )


def mistake_of(stop: Stop) -> Mistake:
    """What is probably wrong there."""
    found = next((mistake for look in _LOOKS if (mistake := look(stop)) is not None), None)
    remedy = (
        "check indentation, colons and quotes on this line and the one before; the rest is read after that"
    )
    return found or Mistake(line=stop.at, problem=stop.said, remedy=remedy)
