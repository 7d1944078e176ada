"""One plain word a concept: no text that a person reads holds a word that was replaced by another."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

TOP = Path(__file__).parents[2]
REPLACED = {
    r"mend(s|ed|ing)?": "fix",
    r"worst twentieth|nine tenths": "95th percentile, or a share in per cent",
    r"calm": "no fault found",
    r"lasting": "ongoing",
    r"to blame": "at fault",
    r"the way out": "path to the internet",
    r"line to the provider|upstream link": "access line",
    r"measuring machine|witness(es)?": "agent",
    r"set aside": "not judged",
    r"in trouble": "at fault, or busy",
    r"held to (it|anything)": "asked to fix it",
    r"Mb/s": "Mbit/s",
    r"middling": "medium",
    r"anew": "again",
    r"whichhop mark|--marks?|DSCP marks?": "note, or DSCP",
    r"can be said of": "determined",
    r"transfer \S+ --plan": "schedule",
    r"the suspect": "the link at fault",
    r"shout(s|ing)?": "send at high power",
}
"""A word that readers stumbled over, and what stands for it everywhere. Common practice of the trade."""
PATTERN = re.compile(rf"\b({'|'.join(REPLACED)})\b", re.IGNORECASE)
TEXTS = (".yaml", ".yml", ".html", ".js", ".css", ".md", ".json")


def strings_of(code: str) -> Iterator[tuple[int, str]]:
    """Line and text of every string constant of a module but those that stand alone, which only we read."""
    nodes = list(ast.walk(ast.parse(code)))
    alone = {id(node.value) for node in nodes if isinstance(node, ast.Expr)}
    for node in nodes:
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in alone:
            yield node.lineno, node.value


def texts() -> Iterator[tuple[str, str]]:
    """Where a text stands, and the text: strings of the agent, its pages, the samples, the README."""
    for path in sorted((TOP / "agent").rglob("*.py")):
        for line, text in strings_of(path.read_text()):
            yield f"{path.relative_to(TOP)}:{line}", text
    for root in ("agent", "configs", "deploy", "shared"):
        for path in sorted((TOP / root).rglob("*")):
            if path.suffix in TEXTS and path.name != "check-values.md":
                yield str(path.relative_to(TOP)), path.read_text()
    yield "README.md", (TOP / "README.md").read_text()


def test_no_replaced_word_is_left() -> None:
    left = [
        f"{place}: {found[0]!r} in {text[max(0, found.start() - 40) : found.end() + 40]!r}"
        for place, text in texts()
        for found in PATTERN.finditer(text)
    ]
    assert not left, "\n".join(left)


def test_a_replaced_word_would_be_found() -> None:
    """In a string, and not in a name or in a remark for developers."""
    code = '"""Which hop is to blame."""\nmend = "a"\nx = f"{mend} Mb/s, lasting"\n'
    found = [m[0] for _, text in strings_of(code) for m in PATTERN.finditer(text)]
    assert found == ["Mb/s", "lasting"]
