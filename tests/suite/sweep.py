"""`tests/run suite --sweep`: every prior of the reasoning, its source, what half and twice of it change."""

import ast
import importlib
import inspect
import pkgutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from functools import partial
from types import ModuleType
from typing import Any

from msgspec import Struct
from msgspec.structs import fields, replace

import whichhop.compare as room
from suite.play import START_NS, Data
from suite.scoring import Score, score
from suite.summary import summarise
from whichhop.compare.history import judge
from whichhop.compare.inference.settings import Settings

ROOMS = ("inference", "suspects", "standing")
"""Where priors stand; a package that does not exist is passed over."""
FACTORS = (0.5, 2.0)
Number = int | float


class Prior(Struct, frozen=True, kw_only=True):
    """One number: the module it stands in, the name it has there, and the way to it inside of a table."""

    module: str
    name: str
    path: tuple[Any, ...]
    value: Number
    source: str

    @property
    def words(self) -> str:
        """How the table names it."""
        inner = "".join(f" {getattr(step, 'value', step)}" for step in self.path)
        return f"{self.module.removeprefix('whichhop.compare.')} {self.name}{inner}"


def _modules() -> list[ModuleType]:
    """Every module of the comparer, so that whoever imported a constant is found."""
    found = pkgutil.walk_packages(room.__path__, f"{room.__name__}.")
    return [importlib.import_module(m.name) for m in found if not m.name.endswith("__main__")]


def _assigned(module: ModuleType) -> Iterator[tuple[str, str]]:
    """The constants that a module itself defines, each with the words beside it: a text after it or above."""
    text = inspect.getsource(module)
    lines, body = text.splitlines(), ast.parse(text).body
    for place, node in enumerate(body):
        target = node.targets[0] if isinstance(node, ast.Assign) else getattr(node, "target", None)
        if not isinstance(node, ast.Assign | ast.AnnAssign) or not isinstance(target, ast.Name):
            continue
        if not target.id.isupper():
            continue
        # Constants in a row share the text behind the last of them.
        later = next((n for n in body[place + 1 :] if not isinstance(n, ast.Assign | ast.AnnAssign)), None)
        words = _text_of(later)
        above = node.lineno - 2
        while above >= 0 and lines[above].strip() and not lines[above].startswith(("#", '"""')):
            above -= 1
        while not words and above >= 0 and lines[above].startswith("#"):
            words, above = lines[above].lstrip("# ") + " " + words, above - 1
        yield target.id, " ".join(words.split())


def _text_of(node: ast.AST | None) -> str:
    """The words of a text that stands by itself; empty for anything else."""
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
        return str(node.value.value)
    return ""


def _leaves(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[tuple[Any, ...], Number]]:
    """The numbers inside a value: itself, or those of a table's rows and their fields."""
    if isinstance(value, bool):
        return
    if isinstance(value, int | float):
        yield path, value
    elif isinstance(value, Mapping):
        for key, row in value.items():
            yield from _leaves(row, (*path, key))
    elif isinstance(value, Struct):
        for part in fields(value):
            yield from _leaves(getattr(value, part.name), (*path, part.name))


def priors() -> list[Prior]:
    """Every number that stands as a constant in ROOMS, and the settings' defaults."""
    out = []
    for module in _modules():
        if module.__name__.split(".")[2] not in ROOMS or "calibration" in module.__name__:
            continue
        for name, words in _assigned(module):
            value = getattr(module, name)
            rows = value if isinstance(value, Mapping) else {}
            for path, number in _leaves(value):
                row = rows.get(path[0]) if path else None
                own = getattr(row, "source", "") or (
                    inspect.getdoc(type(row)) if isinstance(row, Struct) else ""
                )
                source = " ".join((own or words).split("\n\n", maxsplit=1)[0].split())
                if not isinstance(number, int) or abs(number) > 1:
                    out.append(
                        Prior(module=module.__name__, name=name, path=path, value=number, source=source)
                    )
    notes = _notes(Settings)
    for part in fields(Settings):
        value = getattr(Settings(), part.name)
        if isinstance(value, int | float) and not isinstance(value, bool):
            out.append(
                Prior(
                    module=Settings.__module__, name="Settings", path=(part.name,), value=value,
                    source=notes.get(part.name, "chosen on development seeds"),
                )
            )  # fmt: skip
    return [p for p in out if p.value]


def _notes(kind: type) -> dict[str, str]:
    """The text behind each field of a dataclass."""
    body = ast.parse(inspect.getsource(kind)).body[0]
    assert isinstance(body, ast.ClassDef)
    found = {}
    for node, after in zip(body.body, body.body[1:], strict=False):
        if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name) and _text_of(after):
            found[node.target.id] = " ".join(_text_of(after).split())
    return found


def _scaled(value: Any, path: tuple[Any, ...], factor: float) -> Any:
    """The value with the number at `path` multiplied; whole numbers stay whole and at least one."""
    if not path:
        return max(1, round(value * factor)) if isinstance(value, int) else value * factor
    step, rest = path[0], path[1:]
    if isinstance(value, Mapping):
        return {k: _scaled(v, rest, factor) if k == step else v for k, v in value.items()}
    return replace(value, **{step: _scaled(getattr(value, step), rest, factor)})


@contextmanager
def changed(prior: Prior, factor: float) -> Iterator[Settings]:
    """The comparer with one prior multiplied, wherever it was imported; gives the settings to judge with."""
    if prior.name == "Settings":
        yield _scaled(Settings(), prior.path, factor)
        return
    old = getattr(importlib.import_module(prior.module), prior.name)
    new = _scaled(old, prior.path, factor)
    places = [m for m in _modules() if getattr(m, prior.name, None) is old]
    _forget()
    try:
        for module in places:
            setattr(module, prior.name, new)
        yield Settings()
    finally:
        for module in places:
            setattr(module, prior.name, old)
        _forget()


def _forget() -> None:
    """Empty what functions have kept from former values."""
    for module in _modules():
        for member in vars(module).values():
            clear = getattr(member, "cache_clear", None)
            if callable(clear):
                clear()


class Effect(Struct, frozen=True, kw_only=True):
    """What a variant does on the cases; shares are of the faults, None without any."""

    exact: float | None
    wrong: float | None
    standing: float | None
    """Standing faults named within ten minutes."""
    false: int
    """Verdicts that nothing justifies, provider and all."""
    accused: int
    """Of them those that call the provider proven or suspect it."""
    blamed: int
    """Homes without faults where somebody was named."""
    delay_s: float | None = None
    """Mean time from a fault's start to its first right verdict."""
    brier: float | None = None
    """Mean squared distance of claimed probability and truth: moves before any verdict does."""


_cases: list[Data] = []


def _played(settings: Settings) -> Effect:
    scores: list[Score] = []
    for data in _cases:
        said = judge(data.case.home, data.sessions, data.table, data.readings, settings)
        scores.append(score("", data.case, data.sessions, said, start_ns=START_NS, run_s=0.0))
    return effect_of(scores)


def effect_of(scores: Sequence[Score]) -> Effect:
    """The figures of these cases."""
    found = summarise(scores)
    faults = found["faults"] > 0
    return Effect(
        exact=found["exact"] if faults else None,
        wrong=found["wrong"] if faults else None,
        standing=found["standing_in_10_min"],
        false=sum(not v.right for s in scores for v in s.verdicts),
        accused=found["provider_accused_falsely"] + found["provider_suspected_falsely"],
        blamed=found["well_homes_blamed"],
        delay_s=found["time_to_verdict_mean_s"],
        brier=found["brier"],
    )


def _variant(task: tuple[Prior, float]) -> Effect | str:
    prior, factor = task
    try:
        with changed(prior, factor) as settings:
            return _played(settings)
    except (ValueError, ArithmeticError, IndexError, TypeError) as error:
        return f"{type(error).__name__}: {error}"


def sweep(
    cases: Sequence[Data],
    processes: int,
    only: str | None = None,
    progress: Callable[[int, int], None] = lambda _done, _all: None,
) -> Iterator[tuple[Prior | None, tuple[Effect | str, ...]]]:
    """First the figures as they stand, under None; then each prior with its figures at half and twice."""
    _cases[:] = cases
    yield None, (_played(Settings()),)
    chosen = [p for p in priors() if only is None or only in p.words]
    tasks = [(p, f) for p in chosen for f in FACTORS]
    with ProcessPoolExecutor(processes) as pool:
        results = pool.map(partial(_variant), tasks)
        for done, prior in enumerate(chosen, 1):
            yield prior, tuple(next(results) for _ in FACTORS)
            progress(done, len(chosen))


def told(effect: Effect | str, base: Effect) -> str:
    """A variant beside the figures as they stand: only what differs."""
    if isinstance(effect, str):
        return effect
    parts = []
    for part in fields(Effect):
        now, then = getattr(effect, part.name), getattr(base, part.name)
        if now == then or now is None or then is None:
            continue
        parts.append(_moved(part.name, now - then))
    return ", ".join(p for p in parts if p) or "same"


def _moved(name: str, by: float) -> str:
    """How far one figure moved; empty for what would print as nothing."""
    if name == "delay_s":
        return f"delay {by:+.0f} s" if abs(by) >= 0.5 else ""
    if name == "brier":
        return f"brier {by:+.3f}" if abs(by) >= 0.0005 else ""
    return f"{name} {100 * by:+.1f} %" if isinstance(by, float) else f"{name} {by:+d}"
