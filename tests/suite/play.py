"""Plays one case: draws the home, lets every method judge the same data, scores the answers."""

import hashlib
import pickle
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path

from msgspec import Struct
from msgspec.structs import replace

import whichhop
from paper_home.measured import State
from paper_home.paper import prepare
from paper_home.records import readings_of_run
from paper_home.seconds import seconds_of_run
from paper_home.table import table_of_run
from suite.case import Case, Label
from suite.recipes import make_case, nature_seed
from suite.rivals import boolean, least_squares, subtraction
from suite.rivals.common import View, view_of
from suite.scoring import Score, score
from whichhop.compare.windows.table import WindowTable
from whichhop.lab.scenario import Profile, Quirk, QuirkKind, Scenario
from whichhop.model import LINK_TABLE, Cause, LinkKind, Reading, Session, Verdict, derive_sessions
from whichhop.model.units import NS_PER_S
from whichhop.net.clock import SystemClock

START_NS = 1_767_268_800 * NS_PER_S
"""Noon UTC of a New Year's Day, so that a run of 24 hours holds one whole evening."""
WHICHHOP = "whichhop"
RAW = "whichhop, not calibrated"
SERVER = "whichhop from a server"
"""What the home would have written to a fleet's server, read back by its query API, judged the same way."""
mono_ns = SystemClock().mono_ns


def seconds_since(began_ns: int) -> float:
    """Seconds gone by since `began_ns`."""
    return (mono_ns() - began_ns) / NS_PER_S


class Data(Struct, frozen=True, kw_only=True):
    """What every method is given."""

    case: Case
    sessions: tuple[Session, ...]
    table: WindowTable
    readings: list[Reading]
    draw_s: float


def _by_view(rival: Callable[[View], list[Verdict]]) -> Callable[[Data], Sequence[Verdict]]:
    return lambda data: rival(view_of(data.case.home, data.sessions, data.table, data.readings))


def _judged(data: Data, *, calibrated: bool) -> Sequence[Verdict]:
    from whichhop.compare.history import judge
    from whichhop.compare.inference.settings import Settings

    settings = Settings(calibrated=calibrated)
    return judge(data.case.home, data.sessions, data.table, data.readings, settings)


def _by_server(data: Data) -> Sequence[Verdict]:
    from support.fleet_answers import series_of, server_of
    from whichhop.app.fleet.metrics_windows import windows_of
    from whichhop.compare.history import judge
    from whichhop.store.fleet_server import read_windows

    home, table = data.case.home, data.table
    end_ns = table.at_ns(table.ticks)
    server = server_of(series_of(home.name, table, data.readings))
    found = read_windows(server, [home.name], table.start_ns, end_ns)
    if home.name not in found:
        return []
    back = windows_of(home, found[home.name], table.start_ns, end_ns)
    return judge(home, data.sessions, back, found[home.name].readings)


METHODS: dict[str, Callable[[Data], Sequence[Verdict]]] = {
    "subtraction": _by_view(subtraction.judge),
    "least squares": _by_view(least_squares.judge),
    "Boolean": _by_view(boolean.judge),
    WHICHHOP: partial(_judged, calibrated=True),
    RAW: partial(_judged, calibrated=False),
    SERVER: _by_server,
}
COMPARED = tuple(name for name in METHODS if name not in (RAW, SERVER))


def draw(recipe: str, seed: int, hours: float | None = None, profile: Profile = Profile.SIMULATED) -> Data:
    """The data of one case."""
    began = mono_ns()
    case = make_case(recipe, seed, hours, profile)
    run = prepare(case.scenario, nature_seed(recipe, seed))
    table = replace(table_of_run(run, START_NS), seconds=seconds_of_run(run, START_NS))
    readings = readings_of_run(run, START_NS)
    natural = (*natural_labels(case.scenario, run.quirks), *state_labels(case.scenario, run.states))
    case = replace(case, labels=(*case.labels, *natural))
    sessions = derive_sessions(case.home)
    return Data(case=case, sessions=sessions, table=table, readings=readings, draw_s=seconds_since(began))


def kept(
    recipe: str,
    seed: int,
    hours: float | None,
    keep: Path | None,
    profile: Profile = Profile.SIMULATED,
) -> Data:
    """The data of one case, read from under `keep` when the same sources drew it before; else kept there."""
    if keep is None:
        return draw(recipe, seed, hours, profile)
    path = keep / _drawn_by() / f"{recipe}-{seed}-{hours or 'whole'}-{profile}.pickle"
    if path.exists():
        found: Data = pickle.loads(path.read_bytes())  # our own file, named by the sources that made it
        return found
    data = draw(recipe, seed, hours, profile)
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_suffix(".part")
    part.write_bytes(pickle.dumps(data, protocol=5))
    part.rename(path)
    return data


def _drawn_by() -> str:
    """A short digest of everything that a case is drawn with."""
    room, suite = Path(whichhop.__file__).parent, Path(__file__).parent
    sources = [
        p
        for place in (room / "lab", room / "model", suite.parent / "paper_home")
        for p in place.rglob("*.py")
    ]
    scores = {
        "scoring.py",
        "summary.py",
        "table.py",
        "show.py",
        "learn.py",
        "play.py",
        "__main__.py",
        "sweep.py",
        "tries.py",
    }
    sources += [path for path in suite.glob("*.py") if path.name not in scores]
    hashed = hashlib.sha256()
    for path in sorted(sources):
        hashed.update(path.read_bytes())
    return hashed.hexdigest()[:16]


def natural_labels(scenario: Scenario, quirks: Sequence[Quirk]) -> Iterator[Label]:
    """What nature drew and lasts for long: radios that doze, appliances that disturb; no fault, yet there."""
    for quirk in quirks[len(scenario.quirks) :]:
        host = quirk.element.removeprefix("host:")
        hop = {k.name for k in scenario.home.links if k.near == host and k.kind is LinkKind.WIRELESS}
        dozes = quirk.kind is QuirkKind.POWER_SAVE
        yield Label(
            start_s=quirk.at_s,
            end_s=min(quirk.at_s + quirk.for_s, scenario.seconds),
            element=quirk.element,
            cause=Cause.AGENT_HOST if dozes else Cause.BACKHAUL,
            rhythm="natural",
            size=str(quirk.kind),
            accept=frozenset(hop) if dozes else frozenset(),
            harmless=True,
        )


def state_labels(scenario: Scenario, states: Sequence[State]) -> Iterator[Label]:
    """What the measured profile drew and lasts. To name it is right, and so is silence."""
    home = scenario.home
    for state in states:
        if state.element == "own-traffic":
            yield Label(
                start_s=state.start_s, end_s=min(state.end_s, scenario.seconds), element=state.element,
                cause=Cause.OWN_TRAFFIC, rhythm="natural", size=state.word, harmless=True, slack_s=20.0,
            )  # fmt: skip
            continue
        link = home.link(state.element)
        ends = frozenset({f"air:{link.near}", f"air:{link.far}", f"host:{link.near}", f"node:{link.near}"})
        yield Label(
            start_s=state.start_s, end_s=min(state.end_s, scenario.seconds), element=state.element,
            cause=LINK_TABLE[link.kind].cause, rhythm="natural", size=state.word, accept=ends, harmless=True,
        )  # fmt: skip


def play(
    recipe: str,
    seed: int,
    hours: float | None = None,
    methods: Sequence[str] = COMPARED,
    keep: Path | None = None,
    profile: Profile = Profile.SIMULATED,
) -> list[Score]:
    """Every method's score on one case; `keep` is where drawn cases are kept for the next time."""
    data = kept(recipe, seed, hours, keep, profile)
    out = []
    for name in methods:
        began = mono_ns()
        verdicts = METHODS[name](data)
        out.append(
            score(name, data.case, data.sessions, verdicts, start_ns=START_NS, run_s=seconds_since(began))
        )
    return out
