"""The agent between alarm and store: what is due is sent, what settles is kept; on a clock moved by hand."""

from msgspec import Struct, field
from msgspec.structs import replace

from support.homes import alder
from whichhop.daemon.agent import GATHER_EACH, Agent
from whichhop.model import Fate, Method, Reading, Record, Sample, SessionKey, derive_sessions
from whichhop.model.units import NS_PER_S, MonoNs, UtcNs
from whichhop.probes.base import SessionFacts

START_UTC = 1_800_000_000 * NS_PER_S


class HandClock(Struct):
    now: int = 0

    def utc_ns(self) -> UtcNs:
        return UtcNs(START_UTC + self.now)

    def mono_ns(self) -> MonoNs:
        return MonoNs(self.now)

    def boot_ns(self) -> int:
        return self.now


class PromptProber(Struct):
    """Answers each packet at once with 4 ms."""

    method: Method
    clock: HandClock
    agent: "Agent | None" = None
    sent: list[tuple[SessionKey, str]] = field(default_factory=list)
    gathered: int = 0
    waiting: list[tuple[SessionKey, UtcNs]] = field(default_factory=list)

    def open(self, loop: object) -> None: ...

    def send(self, key: SessionKey, address: str) -> None:
        self.sent.append((key, address))
        assert self.agent is not None
        self.agent.take(key, Sample(sent_ns=self.clock.utc_ns(), fate=Fate.ANSWERED, rtt_ns=4_000_000))

    def gather(self) -> None:
        self.gathered += 1

    def expire(self, now_ns: MonoNs) -> None: ...

    def unanswered(self, before_ns: MonoNs) -> list[tuple[SessionKey, UtcNs]]:
        return self.waiting

    def facts(self, key: SessionKey) -> SessionFacts:
        return SessionFacts(stamps="T1 T4")

    def close(self) -> None: ...


def build() -> tuple[Agent, HandClock, PromptProber, list[Record], list[Reading]]:
    clock = HandClock()
    echo, stamp = PromptProber(Method.ECHO, clock), PromptProber(Method.STAMP, clock)
    records: list[Record] = []
    readings: list[Reading] = []

    def keep(new: list[Record], more: list[Reading]) -> None:
        records.extend(new)
        readings.extend(more)

    agent = Agent(
        clock=clock,
        probers={Method.ECHO: echo, Method.STAMP: stamp},
        dice=lambda: 0.5,
        keep=keep,
        observe=lambda key, sample: None,
    )
    echo.agent = stamp.agent = agent
    agent.follow(s for s in derive_sessions(alder()) if s.key.agent == "desk")
    return agent, clock, stamp, records, readings


def play(agent: Agent, clock: HandClock, until_s: float) -> None:
    due = MonoNs(clock.now)
    while due <= until_s * NS_PER_S:
        clock.now = max(due, clock.now)
        due = agent.wake(due)
        assert due > clock.now, "the agent must never ask to be woken in the past"


def test_each_session_sends_one_packet_a_second_to_its_own_address() -> None:
    agent, clock, stamp, _, _ = build()
    play(agent, clock, 10)
    desk_attic = [address for key, address in stamp.sent if key.target == "attic"]
    assert len(desk_attic) == 10
    assert set(desk_attic) == {"192.0.2.2"}


def test_answers_are_gathered_between_beats_only_when_many_packets_were_sent() -> None:
    agent, clock, stamp, _, _ = build()
    play(agent, clock, 10)
    assert stamp.gathered == 0, "a beat takes them up, once a second"
    key = next(k for k in agent.sessions if k.target == "attic")
    fast = replace(agent.sessions[key], key=replace(key, target="fast"), interval_s=0.01)
    agent.add(fast)
    play(agent, clock, 20)
    assert len(stamp.sent) > 1000
    assert 10 * (100 // GATHER_EACH) - 3 <= stamp.gathered <= 10 * (100 // GATHER_EACH) + 3


def test_a_settled_minute_is_kept_once_with_every_packet_accounted_for() -> None:
    agent, clock, stamp, records, _ = build()
    play(agent, clock, 130)
    agent.stop()
    key = next(k for k, _ in stamp.sent)
    minutes = [r for r in records if r.session == key]
    assert sum(len(r.samples) for r in minutes) == sum(k == key for k, _ in stamp.sent)
    assert len({r.minute for r in minutes}) == len(minutes) == 3
    assert all(r.stamps == "T1 T4" for r in minutes)


def test_open_minutes_can_be_read_without_closing_them() -> None:
    agent, clock, _, records, _ = build()
    play(agent, clock, 10)
    first, second = agent.book.open_records(), agent.book.open_records()
    assert first == second
    assert sum(len(r.samples) for r in first) == 50
    assert records == []


def test_a_new_home_keeps_the_rhythm_of_sessions_that_stay() -> None:
    agent, clock, stamp, _, _ = build()
    play(agent, clock, 5)
    before = len(stamp.sent)
    agent.follow(s for s in derive_sessions(alder()) if s.key.agent == "desk" and s.key.target == "attic")
    play(agent, clock, 8)
    assert {k.target for k, _ in stamp.sent[before:]} == {"attic"}
    assert len(stamp.sent) - before == 3


def test_a_target_that_was_found_is_measured_from_then_on() -> None:
    agent, clock, _, _, _ = build()
    home = alder("provider-edge: 198.51.100.1", "provider-edge: discover")
    agent.follow(s for s in derive_sessions(home) if s.key.agent == "desk")
    play(agent, clock, 3)
    echo = agent.probers[Method.ECHO]
    assert isinstance(echo, PromptProber)
    assert not any(k.target == "provider-edge" for k, _ in echo.sent)
    agent.found("provider-edge", "198.51.100.9")
    play(agent, clock, 6)
    assert {a for k, a in echo.sent if k.target == "provider-edge"} == {"198.51.100.9"}


def edge_keys(agent: Agent) -> list[SessionKey]:
    return [key for key in agent.sessions if key.target == "provider-edge"]


def test_an_address_that_was_found_stays_through_a_change_of_the_home() -> None:
    agent, clock, _, _, _ = build()
    discovering = alder("  provider-edge: 198.51.100.1\n", "  provider-edge: discover\n")
    sessions = [s for s in derive_sessions(discovering) if s.key.agent == "desk"]
    echo = agent.probers[Method.ECHO]
    assert isinstance(echo, PromptProber)
    agent.follow(sessions)
    play(agent, clock, 5)
    already = len([k for k, _ in echo.sent if k.target == "provider-edge"])
    agent.found("provider-edge", "198.51.100.77")
    play(agent, clock, 10)
    before = [a for _, a in echo.sent].count("198.51.100.77")
    assert already == 0
    assert before >= 3
    agent.follow(sessions)  # the home file read again
    play(agent, clock, 15)
    assert [a for _, a in echo.sent].count("198.51.100.77") >= before + 3
    # One that the file names itself counts more than one that was found.
    agent.follow(s for s in derive_sessions(alder()) if s.key.agent == "desk")
    assert {agent.sessions[key].address for key in edge_keys(agent)} == {"198.51.100.1"}


def test_a_stream_beside_a_transfer_goes_on_through_a_change_of_the_home() -> None:
    agent, _, _, _, _ = build()
    key = SessionKey(agent="desk", target="attic", method=Method.LOADED)
    agent.probers = {**agent.probers, Method.LOADED: agent.probers[Method.STAMP]}
    steady = next(s for s in agent.sessions.values() if s.key.target == "attic")
    agent.add(replace(steady, key=key))
    agent.follow(s for s in derive_sessions(alder()) if s.key.agent == "desk")
    assert key in agent.sessions
    without = alder(
        "  attic:  {kind: mesh-node, address: 192.0.2.2, agent: true}", "  attic:  {kind: mesh-node}"
    )
    agent.follow(s for s in derive_sessions(without) if s.key.agent == "desk")
    assert key not in agent.sessions


class OddProber(PromptProber):
    """Trips over whatever comes in."""

    def gather(self) -> None:
        raise OverflowError("a number of 400 digits")

    def expire(self, now_ns: MonoNs) -> None:
        raise UnicodeEncodeError("utf-8", "\ud800", 0, 1, "surrogates not allowed")


def test_a_prober_that_trips_over_what_came_in_stops_neither_itself_nor_the_others() -> None:
    agent, clock, stamp, records, _ = build()
    told: list[Exception] = []
    agent.failed = told.append
    odd = OddProber(Method.ECHO, clock, agent)
    agent.probers = {Method.ECHO: odd, Method.STAMP: stamp}
    play(agent, clock, 70)
    assert {type(t) for t in told} == {UnicodeEncodeError}
    assert {r.session.method for r in records} == {Method.ECHO, Method.STAMP}
    assert all(len(r.samples) >= 50 for r in records)


def test_the_newest_records_count_what_is_unanswered_as_lost_and_keep_nothing_of_it() -> None:
    agent, clock, stamp, _, _ = build()
    key = SessionKey(agent="desk", target="router", method=Method.STAMP)
    now = clock.utc_ns()
    agent.book.add(key, Sample(sent_ns=UtcNs(now), fate=Fate.ANSWERED, rtt_ns=4_000_000))
    stamp.waiting = [(key, UtcNs(now + NS_PER_S))]
    (newest,) = agent.newest_records()
    assert list(newest.samples.fate) == [Fate.ANSWERED, Fate.LOST]
    assert stamp.gathered == 1
    (still,) = agent.book.open_records()
    assert list(still.samples.fate) == [Fate.ANSWERED]
