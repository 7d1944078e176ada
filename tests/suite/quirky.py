"""The confusing cases: what looks like a fault of the network and is none, or is one of an odd kind."""

from collections.abc import Callable

from suite.case import Label
from suite.faults import Script, add_fault, link_cause
from whichhop.lab.scenario import Effect, Fault, Quirk, QuirkKind
from whichhop.model import BEYOND, Cause, LinkKind, Medium, Method, derive_sessions


def _harmless(script: Script, quirk: Quirk, cause: Cause, accept: frozenset[str] = frozenset()) -> float:
    script.quirks.append(quirk)
    end = quirk.at_s + quirk.for_s
    script.labels.append(
        Label(
            start_s=quirk.at_s, end_s=end, element=quirk.element, cause=cause, rhythm="steady",
            size=str(quirk.kind), accept=accept, harmless=True,
        )
    )  # fmt: skip
    return end


def _host(script: Script) -> str:
    agents = [a.name for a in script.home.agents]
    return agents[int(script.rng.integers(0, len(agents)))]


def _at_host(
    kind: QuirkKind, low_s: float, high_s: float, sizes: tuple[float, float] | None = None
) -> "Play":
    def play(script: Script, at_s: float) -> float:
        host = _host(script)
        # A machine that is off is as well named by its own box, where it is one.
        accept = frozenset({f"node:{host}", f"reply:{host}"})
        if kind is QuirkKind.POWER_SAVE:
            # The delay of a dozing radio is one of its hop.
            accept |= {k.name for k in script.home.links if k.near == host and k.kind is LinkKind.WIRELESS}
        quirk = Quirk(
            at_s=at_s,
            for_s=script.log_uniform(low_s, high_s),
            kind=kind,
            element=f"host:{host}",
            size=script.log_uniform(*sizes) if sizes else 0.0,
        )
        return _harmless(script, quirk, Cause.AGENT_HOST, accept)

    return play


def _clock_step(script: Script, at_s: float) -> float:
    size = script.log_uniform(0.2, 30.0) * (1 if script.rng.random() < 0.5 else -1)
    quirk = Quirk(at_s=at_s, for_s=30, kind=QuirkKind.CLOCK_STEP, element=f"host:{_host(script)}", size=size)
    return _harmless(script, quirk, Cause.AGENT_HOST)


def _route_change(script: Script, at_s: float) -> float:
    peers = script.home.peers
    peer = peers[int(script.rng.integers(0, len(peers)))]
    quirk = Quirk(
        at_s=at_s,
        for_s=script.log_uniform(600, 5400),
        kind=QuirkKind.ROUTE_CHANGE,
        element=f"destination:{peer}",
        size=script.log_uniform(0.004, 0.04),
    )
    # The way to that peer is longer, past the first hop: who says so is not wrong.
    return _harmless(script, quirk, Cause.DESTINATION, frozenset({BEYOND}))


def _rate_limit(script: Script, at_s: float) -> float:
    """The provider's first hop answers only so many echoes a second, fewer than the home's agents ask."""
    asked = sum(
        s.key.target == "provider-edge" and s.key.method is Method.ECHO for s in derive_sessions(script.home)
    )
    if asked < 2:
        return at_s
    lasts = script.log_uniform(120, 1500)
    size = max(1.0, asked * float(script.rng.uniform(0.3, 0.7)))
    element = "reply:provider-edge"
    script.quirks.append(Quirk(at_s=at_s, for_s=lasts, kind=QuirkKind.RATE_LIMIT, element=element, size=size))
    script.labels.append(
        Label(
            start_s=at_s, end_s=at_s + lasts, element=element, cause=Cause.RESPONDER, rhythm="steady",
            size="middling",
        )
    )  # fmt: skip
    return at_s + lasts


def _hidden_station(script: Script, at_s: float) -> float:
    """Two stations of one box that cannot hear each other: both links suffer at once."""
    home, rng = script.home, script.rng
    radio = [k for k in home.links if k.kind is LinkKind.WIRELESS and k.name in script.columns]
    pairs = [(a, b) for i, a in enumerate(radio) for b in radio[i + 1 :] if a.far == b.far]
    if not pairs:
        return at_s
    one, two = pairs[int(rng.integers(0, len(pairs)))]
    lasts = script.log_uniform(90, 600)
    effect = Effect(
        delay_s=script.log_uniform(0.005, 0.03),
        jitter_s=script.log_uniform(0.008, 0.06),
        loss_ratio=script.log_uniform(0.02, 0.15),
    )
    either = frozenset({f"air:{one.far}", one.name, two.name})
    for link in (one, two):
        script.faults.append(
            Fault(at_s=at_s, for_s=lasts, element=link.name, cause=Cause.WIRELESS_HOP, effect=effect)
        )
    script.labels.append(
        Label(
            start_s=at_s, end_s=at_s + lasts, element=one.name, cause=Cause.WIRELESS_HOP, rhythm="steady",
            size="middling", accept=either,
        )
    )  # fmt: skip
    return at_s + lasts


def _gap(script: Script, at_s: float, element: str, lasts: float, size: str) -> float:
    """Nothing passes for some seconds: too short to be called a fault."""
    effect = Effect(outage=True)
    cause = link_cause(script.home, element)
    script.faults.append(Fault(at_s=at_s, for_s=lasts, element=element, cause=cause, effect=effect))
    script.labels.append(
        Label(
            start_s=at_s, end_s=at_s + lasts, element=element, cause=cause, rhythm="passing", size=size,
            harmless=True,
        )
    )  # fmt: skip
    return at_s + lasts


def _radio_backhauls(script: Script) -> list[str]:
    names = script.places(Cause.BACKHAUL)
    return [k.name for k in script.home.links if k.name in names and k.medium is Medium.RADIO]


def _channel_hop(script: Script, at_s: float) -> float:
    """A radio backhaul changes its channel: nothing passes for some seconds."""
    element = script.one_of(_radio_backhauls(script))
    if element is None:
        return at_s
    return _gap(script, at_s, element, float(script.rng.uniform(2, 8)), "channel hop")


def _roam(script: Script, at_s: float) -> float:
    """A device walks to another place: gaps of a second or three, a few times."""
    element = script.one_of(script.places(Cause.WIRELESS_HOP))
    if element is None:
        return at_s
    return _gap(script, at_s, element, float(script.rng.uniform(0.5, 4)), "roaming gap")


def _fault(cause: Cause) -> "Play":
    return lambda script, at_s: add_fault(script, cause, at_s)


Play = Callable[[Script, float], float]

CONFUSING: dict[str, Play] = {
    "asleep": _at_host(QuirkKind.ASLEEP, 120, 3600),
    "busy": _at_host(QuirkKind.BUSY, 60, 600, (0.03, 0.5)),
    "steal": _at_host(QuirkKind.STEAL, 60, 600, (0.03, 0.5)),
    "absent": _at_host(QuirkKind.ABSENT, 300, 3600),
    "power save": _at_host(QuirkKind.POWER_SAVE, 300, 3600),
    "clock step": _clock_step,
    "route change": _route_change,
    "rate limit": _rate_limit,
    "hidden station": _hidden_station,
    "channel hop": _channel_hop,
    "roam": _roam,
    "destination only": _fault(Cause.DESTINATION),
    "resolver only": _fault(Cause.NAME_SERVICE),
    "responder only": _fault(Cause.RESPONDER),
    "own traffic": _fault(Cause.OWN_TRAFFIC),
}
