"""Every number that inference runs on has its reason: a source, a derivation, or the sweep that chose it."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

SOURCE = Path(__file__).parents[2] / "agent" / "whichhop"
ROOMS = ("compare/suspects", "compare/inference", "compare/verdict")
SETTINGS = "Settings"
"""The class whose defaults are constants too."""
REASON = re.compile(
    r"\b(sweep|swept|chosen|derived|follows|learnt|measured|seen|found|counted|bounds?|costs?|"
    r"because|since|so that|lest|else|otherwise|enough|than not|"
    r"RFC|ITU|IEEE|DOCSIS|common practice|from memory|textbook|(19|20)\d\d)\b",
    re.IGNORECASE,
)
"""What a reason has in it. A text without any of these says what the number is, as its name does."""
LONG = 14
"""So many words are more than a name; shorter texts without a source were labels when this was written."""
PLAIN = {0, 1, 2}
"""Numbers that stand for none, one whole and a pair, in a formula of other names."""


def own_numbers(value: ast.expr) -> bool:
    """True when a value brings a number of its own, rather than follow from names or list words."""
    return any(
        isinstance(each, ast.Constant)
        and isinstance(each.value, int | float)
        and not isinstance(each.value, bool)
        and each.value not in PLAIN
        for each in ast.walk(value)
    ) or (isinstance(value, ast.Constant) and type(value.value) in (int, float))


def text_of(statement: ast.stmt) -> str | None:
    """The words of a string that stands alone; None for another statement."""
    match statement:
        case ast.Expr(value=ast.Constant(value=str(words))):
            return words
    return None


def names_of(statement: ast.stmt) -> tuple[list[str], ast.expr | None]:
    """What a statement gives a value, and the value."""
    match statement:
        case ast.Assign(targets=[ast.Name(id=name)], value=value):
            return [name], value
        case ast.Assign(targets=[ast.Tuple(elts=parts)], value=value):
            return [part.id for part in parts if isinstance(part, ast.Name)], value
        case ast.AnnAssign(target=ast.Name(id=name), value=ast.expr() as value):
            return [name], value
    return [], None


def without_reason(code: str) -> Iterator[str]:
    """Names of a module's constants, and of its settings, that bring a number and no reason for it.

    A reason is the string below a value, or a comment beside or above it. Values on adjoining lines share
    what is said around them.
    """
    lines = code.splitlines()
    module = ast.parse(code)
    bodies = [(module.body, "")]
    bodies += [
        (n.body, f"{n.name}.") for n in module.body if isinstance(n, ast.ClassDef) and n.name == SETTINGS
    ]
    for body, prefix in bodies:
        waiting: list[str] = []
        said, last_line = "", -1
        for statement in [*body, None]:
            words = None if statement is None else text_of(statement)
            if words is not None and waiting:
                said += words
            names, value = ([], None) if statement is None else names_of(statement)
            joined = statement is not None and statement.lineno == last_line + 1
            # A string ends its group: what comes below has a reason of its own.
            if waiting and (words is not None or not joined or not names):
                if not REASON.search(said) and len(said.split()) < LONG:
                    yield from waiting
                waiting, said = [], ""
            if statement is None:
                break
            if (
                names
                and value is not None
                and (prefix or all(re.fullmatch(r"_?[A-Z][A-Z0-9_]*", n) for n in names))
            ):
                first = statement.lineno - 1
                while first > 0 and lines[first - 1].lstrip().startswith("#"):
                    first -= 1
                said += " ".join(
                    line.partition("#")[2] for line in lines[first : statement.end_lineno] if "#" in line
                )
                waiting += [prefix + n for n in names] if own_numbers(value) else []
            last_line = statement.end_lineno or statement.lineno


OWED = """
    P90_TO_SIGMA FEW_LOSSES PRIOR_RHO PRIOR_TICKS LEAST_RHO MOST_RHO TICK_MIX TINY DELAYS_S LOSSES
    SCALE_GROWTH FEW_ANSWERS FURTHEST MOST LATE_SIGMAS SPANS AFTER_TICKS JOIN_TICKS LONGEST POOL
    LEADERS MORE LEAST_GAIN Settings.close_at Settings.close_ticks Settings.merge_gap_s
    Settings.spread_only Settings.mean_fault_s Settings.recent_onset_s Settings.recent_s
    Settings.warm_up_ticks Settings.baseline_s Settings.most_candidates Settings.guard_lost
    Settings.guard_excess_s Settings.guard_share Settings.guard_use BLIP_LOG_RATIO LEAST _LESS
    LIMITED OFF TEMPER MOST_LOG LEAST_TICKS MOST_NAMED GAIN_SPANS _WAYS
""".split()  # noqa: SIM905 - a list of words reads better than one of strings
"""Names that still lack a reason. The list only gets shorter."""


def test_every_number_of_inference_has_its_reason_but_those_still_owed() -> None:
    found = [
        f"{path.relative_to(SOURCE)}: {name}"
        for room in ROOMS
        for path in sorted((SOURCE / room).rglob("*.py"))
        for name in without_reason(path.read_text())
        if name not in OWED
    ]
    assert not found, "give a source, a derivation or the sweep that chose it: " + "; ".join(found)


def test_a_number_without_a_word_is_found_and_one_with_a_reason_is_not() -> None:
    code = """
BARE = 3.5
SAID = 4
'How many there may be.'
SWEPT = 5
'A sweep from 1 to 9 showed no difference above 4.'
BESIDE = 6  # RFC 3611 4.7.2
# From memory, common practice.
LOW, HIGH = 0.02, 0.6

DERIVED = SWEPT - 1
WORDS = {Kind.A, Kind.B}


class Settings:
    open_at: float = 0.9
    close_at: float = 0.5
    'Chosen on development seeds: see the table of sweeps.'
    ticks: int = 3
    others: bool = True


class Other:
    width = 7
"""
    assert list(without_reason(code)) == ["BARE", "SAID", "Settings.ticks"]
