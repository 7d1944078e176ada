"""Judges many homes by what they wrote to a server: on every processor, each home by its home file.

Nothing is kept that the server could not give again, so that several machines can share the homes by names.
"""

import gc
import hashlib
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from functools import partial
from pathlib import Path

from msgspec import Struct
from msgspec.structs import replace

from whichhop.advice.rank import advise
from whichhop.advice.step import RecommendationKind, step_line
from whichhop.app.advice_of_home import known_home
from whichhop.app.fleet.homes import HomeFault, HomeRow, Standing
from whichhop.app.fleet.metrics_windows import judged
from whichhop.cabling.level_readings import PREFIX as LEVELS
from whichhop.compare.comparison import Comparison
from whichhop.config.check import House, read_house
from whichhop.errors import DataError, WhichhopError
from whichhop.model import Cause, LinkKind, Reading, Verdict, derive_sessions
from whichhop.model.units import NS_PER_S
from whichhop.net.http_client import fetch
from whichhop.store.fleet_server import HomeWindows, read_new, read_windows
from whichhop.store.metrics_server import MetricsServer

AT_ONCE = 6
"""Homes in one question: some 7 MB of an hour, half a second of a server."""
PATIENCE_S = 120.0
MOST_BYTES = 64 << 20
SILENT_NS = 120 * NS_PER_S
"""Of which nothing came for so long, a home is silent: windows come every half minute."""
LEAST_PROBABILITY = 0.5
"""What is less probable than this is nothing to look after."""
NOBODYS = (Cause.AGENT_HOST, Cause.RESPONDER, Cause.HEALTHY)
"""Told where a home is looked at by itself, and no fault of the home."""


class Server(Struct, frozen=True, kw_only=True):
    """How a process reaches the server."""

    base: str
    authorization: str = ""

    def opened(self) -> MetricsServer:
        """The server, to be asked."""
        ask = partial(
            fetch, authorization=self.authorization, seconds=PATIENCE_S, most_bytes=MOST_BYTES, of="server"
        )
        return MetricsServer(base=self.base, ask=ask, select={})


class Span(Struct, frozen=True, kw_only=True):
    """From when to when homes are judged, UTC ns. whole: what was there before is looked for too."""

    start_ns: int
    end_ns: int
    whole: bool = False


class Judged(Struct, frozen=True, kw_only=True):
    """One home's row, the region of its home file, and why it could not be judged, "" where it was.

    beyond_limits: its modem has a channel beyond a published limit, and nothing is at fault.
    """

    row: HomeRow
    region: str = ""
    trouble: str = ""
    unasked: bool = False
    """Whether the server did not answer for it, so that nothing is known of it at all."""
    beyond_limits: bool = False


def home_files(folder: Path) -> list[Path]:
    """The home files of a folder; DataError where there are none."""
    try:
        found = sorted(path for path in folder.iterdir() if path.suffix in (".yaml", ".yml"))
    except OSError as why:
        raise DataError(
            f"--judge {folder}: cannot be read ({why.strerror}); name a folder of home files"
        ) from None
    if not found:
        raise DataError(f"--judge {folder}: no *.yaml in it; put the homes' files there")
    return found


def mine(name: str, part: int, parts: int) -> bool:
    """Whether a home falls to the share `part` (from 1) of `parts`: by a digest of its name, so that every
    machine says the same."""
    return int.from_bytes(hashlib.sha256(name.encode()).digest()[:8]) % parts == part - 1


def judge_files(
    files: Sequence[Path],
    server: Server,
    span: Span,
    *,
    share: tuple[int, int] = (1, 1),
    processes: int | None = None,
    pools: Sequence[Executor] = (),
) -> Iterator[Judged]:
    """Every home of these files, as they are done; a file that is wrong, or a home without data, is one too.

    The share of another machine is left out. pools: of one process each, for who asks again and again: the
    same process then has the same homes, keeps their windows and asks the server for new ones only.
    """
    batches = [files[i : i + AT_ONCE] for i in range(0, len(files), AT_ONCE)]
    if pools:
        again = partial(_again, server=server, span=span, share=share)
        for turn in [pools[i % len(pools)].submit(again, batch) for i, batch in enumerate(batches)]:
            yield from turn.result()
        return
    work = partial(_batch, server=server, span=span, share=share)
    count = min(processes or os.cpu_count() or 1, len(batches))
    if count <= 1:
        for batch in batches:
            yield from work(batch)
        return
    with ProcessPoolExecutor(count, initializer=begin_worker) as pool:
        for done in pool.map(work, batches):
            yield from done


def begin_worker() -> None:
    """In a process that judges: rubbish is looked for after each batch, not while an answer's million values
    are made, which was a fifth of all time."""
    gc.freeze()
    gc.disable()


_kept: dict[str, HomeWindows] = {}
"""What this process has read of its homes, where it judges again and again; lost with it, and read anew."""


def _again(files: Sequence[Path], *, server: Server, span: Span, share: tuple[int, int]) -> list[Judged]:
    return _batch(files, server=server, span=span, share=share, kept=_kept)


def _batch(
    files: Sequence[Path],
    *,
    server: Server,
    span: Span,
    share: tuple[int, int],
    kept: dict[str, HomeWindows] | None = None,
) -> list[Judged]:
    try:
        return _judged_batch(files, server=server, span=span, share=share, kept=kept)
    finally:
        if not gc.isenabled():
            gc.collect()


def _judged_batch(
    files: Sequence[Path],
    *,
    server: Server,
    span: Span,
    share: tuple[int, int],
    kept: dict[str, HomeWindows] | None,
) -> list[Judged]:
    houses: dict[str, tuple[Path, House]] = {}
    out = []
    for path in files:
        try:
            house = read_house(path)
        except WhichhopError as why:
            first = str(why).splitlines()[0]
            out.append(_untold(path.stem, f"{first} (whichhop check {path})"))
            continue
        name = house.home.name
        if not mine(name, *share):
            continue
        if name in houses:
            out.append(
                _untold(name, f"{path} and {houses[name][0]} are both of {name}; give one another name")
            )
            continue
        houses[name] = path, house
    if not houses:
        return out
    try:
        if kept is None:
            found = read_windows(server.opened(), list(houses), span.start_ns, span.end_ns)
        else:
            agents = {
                name: {s.key.agent for s in derive_sessions(house.home)}
                for name, (_, house) in houses.items()
            }
            found = read_new(server.opened(), agents, kept, span.start_ns, span.end_ns)
            kept.update(found)
    except WhichhopError as why:
        mute = [_untold(name, str(why), house) for name, (_, house) in houses.items()]
        return out + [replace(one, unasked=True) for one in mute]
    return out + [_one(house, path, found.get(name), span) for name, (path, house) in houses.items()]


def _untold(name: str, trouble: str, house: House | None = None) -> Judged:
    return Judged(
        row=HomeRow(home=name, standing=Standing.NOT_JUDGED), region=_region(house), trouble=trouble
    )


def _region(house: House | None) -> str:
    return house.home.fleet.region if house is not None and house.home.fleet is not None else ""


def _one(house: House, path: Path, found: HomeWindows | None, span: Span) -> Judged:
    name, region = house.home.name, _region(house)
    if found is None or not found.last_s:
        return Judged(row=HomeRow(home=name, standing=Standing.SILENT), region=region)
    try:
        said = judged(house.home, found, span.start_ns, span.end_ns, changes_alone=not span.whole)
    except Exception as why:  # noqa: BLE001 - whatever one home holds, the others are judged
        return _untold(name, f"could not be judged ({why!r}); report this", house)
    if said is None:
        trouble = f"the server has none of the sessions of {path}; is that the file its agents use?"
        return _untold(name, trouble, house)
    levels = [r for r in found.readings if r.name.startswith(LEVELS)]
    row = row_of(said, house, str(path), span.end_ns, levels)
    beyond = bool(levels) and row.standing is Standing.NO_FAULT
    return Judged(row=row, region=region, beyond_limits=beyond)


def row_of(said: Comparison, house: House, file: str, end_ns: int, levels: Sequence[Reading] = ()) -> HomeRow:
    """The row of a home that was judged: its ongoing faults, the surest first, and what to do next.

    levels: a modem's beyond its limits are something to do also where no fault is felt.
    """
    ongoing = [
        v
        for v in said.verdicts
        if v.end_ns is None and v.probability >= LEAST_PROBABILITY and v.cause not in NOBODYS
    ]
    faults = tuple(
        HomeFault(
            cause=str(v.cause),
            elements=" or ".join(v.elements),
            probability=v.probability,
            since_ns=None if v.standing else v.start_ns,
            past=_past(v, house),
        )
        for v in sorted(ongoing, key=lambda v: -v.probability)
    )
    step = ""
    if ongoing or levels:
        known = known_home(
            house,
            file,
            start_ns=said.start_ns,
            end_ns=said.end_ns,
            sessions=said.judged.sessions,
            verdicts=ongoing,
            readings=levels,
        )
        steps = [s for s in advise(known) if ongoing or s.kind is not RecommendationKind.MEASURE]
        step = next(map(step_line, steps), "")
    standing = Standing.FAULT if faults else Standing.NO_FAULT
    if end_ns - said.end_ns > SILENT_NS:
        standing, faults, step = Standing.SILENT, (), ""
    return HomeRow(home=house.home.name, standing=standing, faults=faults, step=step, judged_ns=said.end_ns)


def _past(verdict: Verdict, house: House) -> float:
    """The part of a verdict's probability that is on the access line or beyond it."""
    if verdict.shares is None or len(verdict.elements) == 1:
        return float(verdict.cause in (Cause.UPSTREAM_LINK, Cause.BEYOND))
    past = {link.name for link in house.home.links if link.kind in (LinkKind.ACCESS, LinkKind.BEYOND)}
    past |= {Cause.UPSTREAM_LINK, Cause.BEYOND}
    every = sum(verdict.shares.values())
    return sum(part for name, part in verdict.shares.items() if name in past) / every if every else 0.0


Tell = Callable[[int, int], None]
"""Is told how many homes of how many are done."""


def judge_all(
    folder: Path,
    server: Server,
    span: Span,
    *,
    share: tuple[int, int],
    processes: int | None,
    tell: Tell,
    pools: Sequence[Executor] = (),
) -> list[Judged]:
    """All homes of a folder, the worst first."""
    files, out = home_files(folder), []
    for one in judge_files(files, server, span, share=share, processes=processes, pools=pools):
        out.append(one)
        tell(len(out), len(files))
    names: Mapping[str, int] = _twice(out)
    out = [one if names[one.row.home] == 1 or one.trouble else _double(one) for one in out]
    return sorted(out, key=lambda one: one.row.order)


def _twice(rows: Sequence[Judged]) -> dict[str, int]:
    names: dict[str, int] = {}
    for one in rows:
        names[one.row.home] = names.get(one.row.home, 0) + 1
    return names


def _double(one: Judged) -> Judged:
    return _untold(one.row.home, f"two home files are named {one.row.home}; give one another name")
