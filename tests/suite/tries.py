"""`tests/run suite --tries FILE`: constants at neighbouring values, whatever follows from them included."""

import ast
import multiprocessing
import sys
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from importlib.abc import MetaPathFinder
from importlib.machinery import ModuleSpec, PathFinder, SourceFileLoader
from pathlib import Path
from types import CodeType
from typing import TYPE_CHECKING, Any

from msgspec import Struct

# The comparer and what plays it are only imported in a process of their own, once a constant is changed.
if TYPE_CHECKING:
    from suite.sweep import Effect

ROOM = "whichhop.compare."


class Try(Struct, frozen=True, kw_only=True):
    """A constant (`module NAME` below compare, `Settings.name` for a default) and values to try, as code."""

    module: str
    name: str
    values: tuple[str, ...]


def read_tries(path: Path) -> list[Try]:
    """Lines `MODULE NAME | VALUE | VALUE`; # begins a remark. ValueError names a bad line."""
    out = []
    for number, line in enumerate(path.read_text().splitlines(), 1):
        head, *values = (part.strip() for part in line.partition("#")[0].split("|"))
        words = head.split()
        if not words:
            continue
        if len(words) != 2 or not values:
            raise ValueError(f"{path.name}:{number}: expected MODULE NAME | VALUE | VALUE: {line!r}")
        out.append(Try(module=words[0], name=words[1], values=tuple(values)))
    return out


class _Loader(SourceFileLoader):
    def __init__(self, fullname: str, path: str, name: str, value: str) -> None:
        super().__init__(fullname, path)
        self._name, self._value = name, value

    def get_code(self, fullname: str) -> CodeType:
        return compile(
            rewritten(self.get_data(self.path).decode(), self._name, self._value), self.path, "exec"
        )


class _Finder(MetaPathFinder):
    def __init__(self, module: str, name: str, value: str) -> None:
        self._module, self._name, self._value = module, name, value

    def find_spec(self, fullname: str, path: Sequence[str] | None, target: Any = None) -> ModuleSpec | None:
        if fullname != self._module:
            return None
        spec = PathFinder.find_spec(fullname, path)
        if spec is not None and spec.origin is not None:
            spec.loader = _Loader(fullname, spec.origin, self._name, self._value)
        return spec


def rewritten(code: str, name: str, value: str) -> ast.Module:
    """The module with another value given to one name; KeyError when it gives that name none."""
    module = ast.parse(code)
    kind, _, inner = name.rpartition(".")
    bodies = [n.body for n in module.body if isinstance(n, ast.ClassDef) and n.name == kind]
    new = ast.parse(value, mode="eval").body
    for node in (bodies or [module.body])[0]:
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Tuple):
            names = [t.id for t in node.targets[0].elts if isinstance(t, ast.Name)]
            if inner in names and isinstance(node.value, ast.Tuple):
                node.value.elts[names.index(inner)] = new
                return ast.fix_missing_locations(module)
        target = node.targets[0] if isinstance(node, ast.Assign) else getattr(node, "target", None)
        if (
            isinstance(node, ast.Assign | ast.AnnAssign)
            and isinstance(target, ast.Name)
            and target.id == inner
        ):
            node.value = new
            return ast.fix_missing_locations(module)
    raise KeyError(name)


class Played(Struct, frozen=True, kw_only=True):
    """What a variant does: the figures, every verdict to its last digit by case, processor seconds."""

    effect: "Effect"
    verdicts: tuple[str, ...]
    cpu_s: float


def _played(change: tuple[str, str, str] | None, cases: Sequence[tuple[Any, ...]]) -> Played | str:
    if change is not None:
        module, name, value = change
        sys.meta_path.insert(0, _Finder(ROOM + module, name, value))
    from suite.play import START_NS, kept
    from suite.scoring import score
    from suite.sweep import effect_of
    from whichhop.compare.history import judge

    scores, verdicts, began = [], [], time.process_time()
    spent = 0.0
    for case in cases:
        data = kept(*case)
        began = time.process_time()
        try:
            said = judge(data.case.home, data.sessions, data.table, data.readings)
        except (ValueError, ArithmeticError, IndexError, TypeError) as error:
            return f"{type(error).__name__}: {error}"
        spent += time.process_time() - began
        verdicts.append(repr(said))
        scores.append(score("", data.case, data.sessions, said, start_ns=START_NS, run_s=0.0))
    return Played(effect=effect_of(scores), verdicts=tuple(verdicts), cpu_s=spent)


def tried(
    tries: Sequence[Try], cases: Sequence[tuple[Any, ...]], processes: int
) -> Iterator[tuple[Try | None, str, Played | str]]:
    """First the figures as they stand, under None; then each constant's, value by value."""
    todo = [(t, v) for t in tries for v in t.values]
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(processes, mp_context=context, max_tasks_per_child=1) as pool:
        base = pool.submit(_played, None, cases)
        jobs = [pool.submit(_played, (t.module, t.name, v), cases) for t, v in todo]
        yield None, "", base.result()
        for (one, value), job in zip(todo, jobs, strict=True):
            yield one, value, job.result()
