"""Many homes from one Prometheus-compatible server: what their comparing agents say, the worst home first."""

from collections.abc import Iterable
from enum import StrEnum

from msgspec import Struct

from whichhop.model.bulletin import HomeState
from whichhop.model.units import NS_PER_S
from whichhop.store.metrics_server import MetricsServer

OLD_S = 300.0
"""A home that was not judged for so long is not judged: a bulletin comes every ten seconds."""
KNOWN_S = 86_400
"""A home whose agents were heard in the last day is still listed."""


class Standing(StrEnum):
    """A home in a word, the worst first: what can be said of it, or why nobody says anything."""

    FAULT = "fault"
    SILENT = "silent"
    """None of its agents is heard by the server now."""
    NOT_JUDGED = "not judged"
    """Its agents are heard, and none of them compares, or has done so lately."""
    NOT_DETERMINED = "not determined"
    LEARNING = "learning"
    NO_FAULT = "no fault"


_OF_STATE = {
    HomeState.FAULT: Standing.FAULT,
    HomeState.NOT_DETERMINED: Standing.NOT_DETERMINED,
    HomeState.LEARNING: Standing.LEARNING,
    HomeState.NO_FAULT: Standing.NO_FAULT,
}


class HomeFault(Struct, frozen=True, kw_only=True):
    """An ongoing fault. since_ns: None where it was there before measuring began. past: the part of its
    probability that is past the home, on the access line or beyond it, where that is known."""

    cause: str
    elements: str
    probability: float
    since_ns: int | None
    past: float = 0.0


class HomeRow(Struct, frozen=True, kw_only=True):
    """One home. faults: the surest first. step: what to do next, "" for none. judged_ns: None for never."""

    home: str
    standing: Standing
    faults: tuple[HomeFault, ...] = ()
    step: str = ""
    judged_ns: int | None = None

    @property
    def order(self) -> tuple[int, float, str]:
        """The worst first, then the surest, then by name."""
        surest = max((f.probability for f in self.faults), default=0.0)
        return list(Standing).index(self.standing), -surest, self.home


def read_homes(server: MetricsServer, now_ns: int) -> list[HomeRow]:
    """All homes that the server knows, the worst first; RemoteError where it does not answer.

    Where several agents of a home compare, the worst that one of them says counts.
    """
    known = _homes(server, f"group by (home) (last_over_time(whichhop_agent_info[{KNOWN_S}s]))", now_ns)
    heard = _homes(server, "group by (home) (whichhop_agent_info)", now_ns)
    judged = {
        labels["home"]: round(at_s * NS_PER_S)
        for labels, at_s in server.instant("max by (home) (whichhop_home_judged_timestamp_seconds)", now_ns)
        if labels.get("home")
    }
    states: dict[str, set[str]] = {}
    for labels, _ in server.instant("max by (home, state) (whichhop_home_state)", now_ns):
        states.setdefault(labels.get("home", ""), set()).add(labels.get("state", ""))
    steps = {
        labels.get("home", ""): labels.get("step", "")
        for labels, _ in server.instant("max by (home, step) (whichhop_next_step_info)", now_ns)
    }
    faults = _faults(server, now_ns)
    rows = []
    for home in known | heard:
        fresh = home in judged and now_ns - judged[home] <= OLD_S * NS_PER_S
        rows.append(
            HomeRow(
                home=home,
                standing=_standing(states.get(home, set()), heard=home in heard, fresh=fresh),
                faults=tuple(faults.get(home, ())) if fresh else (),
                step=steps.get(home, "") if fresh else "",
                judged_ns=judged.get(home),
            )
        )
    return sorted(rows, key=lambda row: row.order)


def _homes(server: MetricsServer, query: str, now_ns: int) -> set[str]:
    return {labels["home"] for labels, _ in server.instant(query, now_ns) if labels.get("home")}


def _standing(states: Iterable[str], *, heard: bool, fresh: bool) -> Standing:
    if not heard:
        return Standing.SILENT
    said = {_OF_STATE[HomeState(s)] for s in states if s in set(HomeState)}
    return min(said, key=list(Standing).index) if said and fresh else Standing.NOT_JUDGED


def _faults(server: MetricsServer, now_ns: int) -> dict[str, list[HomeFault]]:
    by = ("home", "cause", "elements")
    began = {
        tuple(labels.get(n, "") for n in by): round(at_s * NS_PER_S)
        for labels, at_s in server.instant(
            f"min by ({', '.join(by)}) (whichhop_ongoing_fault_start_timestamp_seconds)", now_ns
        )
    }
    out: dict[str, list[HomeFault]] = {}
    found = server.instant(f"max by ({', '.join(by)}) (whichhop_ongoing_fault_probability_ratio)", now_ns)
    for labels, probability in sorted(found, key=lambda row: -row[1]):
        at = tuple(labels.get(n, "") for n in by)
        fault = HomeFault(cause=at[1], elements=at[2], probability=probability, since_ns=began.get(at))
        out.setdefault(at[0], []).append(fault)
    return out
