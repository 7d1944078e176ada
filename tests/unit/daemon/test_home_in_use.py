"""A changed home reaches everybody who depends on it, or nobody."""

from pathlib import Path

import pytest

from support.homes import alder
from whichhop.daemon.home_in_use import HomeInUse, InUse, in_use, loaded_sessions
from whichhop.errors import SystemRefusedError, WhichhopError
from whichhop.model import Method
from whichhop.model.handover import Handover


def used(old: str = "", new: str = "", node: str = "desk") -> InUse:
    keys = {"api_token": "t", "stamp_key": "00" * 16, "transfer_key": "11" * 16}
    keys |= dict.fromkeys(("certificate", "secret", "identity", "maker", "own_key", "page_password"), "")
    return in_use(Handover(home=alder(old, new), **keys), node, Path("home.yaml"))


class Part:
    """A subscriber that notes what becomes of it."""

    def __init__(self, seen: list[str], name: str, *, refuses: bool = False) -> None:
        self.seen, self.name, self.refuses = seen, name, refuses

    def prepare(self, _: InUse) -> "Part":
        if self.refuses:
            raise SystemRefusedError(f"{self.name} is refused")
        self.seen.append(f"{self.name} ready")
        return self

    def commit(self) -> None:
        self.seen.append(f"{self.name} done")

    def undo(self) -> None:
        self.seen.append(f"{self.name} undone")


def test_everything_is_prepared_before_anything_changes_and_followers_come_last() -> None:
    seen: list[str] = []
    home = HomeInUse(used(), lambda name, trouble: seen.append(f"{name}: {trouble}"))
    home.follow("links", lambda new: seen.append(f"links of {new.home.name}"))
    home.prepare("ports", Part(seen, "ports").prepare)
    home.prepare("probers", Part(seen, "probers").prepare)
    home.prepare("same", lambda _: None)
    new = used("home: Alder House", "home: Alder Lodge")
    home.publish(new)
    assert home.now is new
    assert seen == ["ports ready", "probers ready", "ports done", "probers done", "links of Alder Lodge"]


def test_one_refusal_leaves_everything_as_it_was() -> None:
    seen: list[str] = []
    first = used()
    home = HomeInUse(first, lambda name, trouble: seen.append(f"{name}: {trouble}"))
    home.follow("links", lambda new: seen.append("links"))
    for name in ("ports", "probers"):
        home.prepare(name, Part(seen, name).prepare)
    home.prepare("reflector", Part(seen, "reflector", refuses=True).prepare)
    with pytest.raises(SystemRefusedError, match="reflector is refused"):
        home.publish(used())
    assert home.now is first
    assert seen == ["ports ready", "probers ready", "probers undone", "ports undone"]


def test_a_follower_that_fails_keeps_none_of_the_others_from_the_new_home() -> None:
    seen: list[str] = []
    home = HomeInUse(used(), lambda name, trouble: seen.append(f"{name}: {trouble}"))
    home.follow("broken", lambda _: seen[99])  # type: ignore[arg-type,return-value]
    home.follow("links", lambda _: seen.append("links"))
    home.publish(used())
    assert seen == ["broken: list index out of range", "links"]


def test_a_node_without_an_agent_is_refused_with_those_that_have_one() -> None:
    with pytest.raises(WhichhopError, match=r"no agent runs on 'router'; agents run on: attic, desk, study"):
        used(node="router")
    with pytest.raises(WhichhopError, match="no agent runs on 'cellar'"):
        used(node="cellar")


def test_it_says_what_is_measured_and_whom_to_answer() -> None:
    now = used()
    assert {s.key.agent for s in now.sessions} == {"desk"}
    assert [str(n) for n in now.answered] == ["192.0.2.2/32", "192.0.2.20/32", "192.0.2.30/32"]
    beside = loaded_sessions(now.sessions)
    assert {s.key.method for s in beside} == {Method.LOADED}
    assert len(beside) == sum(s.key.method in (Method.ECHO, Method.STAMP) for s in now.sessions)
