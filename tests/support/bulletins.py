"""Hand-made bulletins of Alder House: one for each state that the page can be in."""

from datetime import UTC

from msgspec.structs import replace

from whichhop.compare.day_book import past_days
from whichhop.model import Cause, LinkKind, Medium, RuledOut, Severity, Verdict
from whichhop.model.bulletin import AgentNow, Bulletin, LinkNow, LinkState, RoomRate, ToldVerdict
from whichhop.model.channel import LevelSpan, ModemNow
from whichhop.model.inner_cause import Felt, FeltCause
from whichhop.model.note import Note
from whichhop.model.past_fault import PastFault
from whichhop.model.units import NS_PER_S

NOW_NS = 1_772_388_245 * NS_PER_S
"""2026-03-01 18:04:05 UTC."""
MINUTE_NS = 60 * NS_PER_S
HOUR_NS = 60 * MINUTE_NS
DAY_NS = 24 * HOUR_NS


def link(near: str, far: str, kind: LinkKind, medium: Medium | None, rtt_s: float) -> LinkNow:
    return LinkNow(
        name="beyond" if kind is LinkKind.BEYOND else f"{near}/{far}",
        near=near,
        far=far,
        kind=kind,
        medium=medium,
        state=LinkState.NO_FAULT,
        probability=0.002,
        rtt_s=rtt_s,
        added_s=0.00004,
        loss_ratio=0.0,
        packets=600,
    )


def calm() -> Bulletin:
    return Bulletin(
        home="Alder House",
        at_ns=NOW_NS - 10 * NS_PER_S,
        since_ns=NOW_NS - 20 * HOUR_NS,
        learning_s=0.0,
        agents=tuple(AgentNow(name=n, heard_ns=NOW_NS - 12 * NS_PER_S) for n in ("attic", "desk", "study")),
        links=(
            link("desk", "attic", LinkKind.WIRELESS, Medium.RADIO, 0.0042),
            link("attic", "router", LinkKind.BACKHAUL, Medium.RADIO, 0.0061),
            link("study", "router", LinkKind.WIRED, Medium.ETHERNET, 0.00041),
            link("router", "modem", LinkKind.WIRED, Medium.ETHERNET, 0.00093),
            link("modem", "provider-edge", LinkKind.ACCESS, Medium.CABLE, 0.0113),
            link("provider-edge", "beyond", LinkKind.BEYOND, None, 0.0187),
        ),
        told=(
            told(Cause.UPSTREAM_LINK, ("modem/provider-edge",), 0.97, hours=9.5, minutes=74),
            told(Cause.OWN_TRAFFIC, ("own-traffic",), 0.91, hours=13.0, minutes=22),
        ),
        rooms=(
            room("desk", "attic", down=212e6, up=37.6e6),
            room("study", "study", down=487e6, up=39.1e6, at_least=True),
        ),
        notes=(Note(at_ns=NOW_NS - 7 * HOUR_NS, text="moved the attic node away from the cupboard"),),
        plan_down_bps=500e6,
        plan_up_bps=40e6,
    )


def room(node: str, name: str, *, down: float | None, up: float | None, at_least: bool = False) -> RoomRate:
    at = NOW_NS - 3 * HOUR_NS
    return RoomRate(
        node=node, room=name, at_ns=at, other_end="harbour", down_bps=down, up_bps=up, at_least=at_least
    )


def told(
    cause: Cause, elements: tuple[str, ...], probability: float, *, hours: float, minutes: float | None
) -> ToldVerdict:
    """An episode that began so many hours ago; `minutes` long, or lasting when None."""
    start = NOW_NS - round(hours * HOUR_NS)
    verdict = Verdict(
        cause=cause,
        elements=elements,
        probability=probability,
        start_ns=start,
        end_ns=None if minutes is None else start + round(minutes * MINUTE_NS),
        severity=Severity(
            sent=1240,
            lost=31,
            added_p50_s=0.0284,
            added_p95_s=0.0917,
            loss_ratio=0.025,
            loss_low=0.0177,
            loss_high=0.0353,
        ),
        ruled_out=(
            RuledOut(what="beyond", why="study's way out was quiet", sessions=("study>harbour:stamp",)),
        ),
    )
    return ToldVerdict(
        verdict=verdict,
        words=(
            f"{cause}: {' or '.join(elements)}.",
            "Sessions that cross it saw 28 ms added to the usual round trip (92 ms at the 95th percentile)"
            " and 2.5 % of 1240 packets lost (95 % confidence interval 1.8 % to 3.5 %).",
            "Ruled out: the network past the provider's first hop, because study's way out was quiet"
            " (study>harbour:stamp).",
        ),
    )


def with_links(bulletin: Bulletin, **changes: dict[str, object]) -> Bulletin:
    """Some links changed, by the name with "_" for "/"."""
    known = {name.replace("__", "/").replace("_", "-"): values for name, values in changes.items()}
    assert set(known) <= {k.name for k in bulletin.links}
    links = tuple(replace(k, **known.get(k.name, {})) for k in bulletin.links)
    return replace(bulletin, links=links)


BAD: dict[str, object] = {
    "state": LinkState.AT_FAULT,
    "probability": 0.984,
    "rtt_s": 0.0345,
    "added_s": 0.0284,
    "loss_ratio": 0.025,
}


SLOW_NAMES = Felt(
    cause=FeltCause.SLOW_NAMES,
    where="Resolver house",
    feels="pages take a moment before anything appears, then load at once",
    probability=0.95,
    evidence=("half of 600 answers took 240 ms and more; a round trip there takes 1 ms",),
    steps=("Have the router hand out another resolver (DHCP), or set one on the device.",),
    check="whichhop compare HOME",
    source="RFC 1035",
)


def at_fault() -> Bulletin:
    found = with_links(calm(), attic__router=BAD)
    return replace(
        found,
        told=(told(Cause.BACKHAUL, ("attic/router",), 0.984, hours=0.2, minutes=None), *found.told),
        steps=(
            "Move what stands between the attic node and the router, or turn the node towards it.",
            "Wire the attic node: its backhaul carries 212 Mbit/s now, a cable would carry the whole plan.",
        ),
    )


def group() -> Bulletin:
    elements = ("desk/attic", "node:attic", "attic/router")
    half = {**BAD, "state": LinkState.SUSPECTED}
    found = with_links(
        calm(), desk__attic={**half, "probability": 0.41}, attic__router={**half, "probability": 0.48}
    )
    return replace(
        found,
        told=(told(Cause.NOT_SEPARABLE, elements, 0.96, hours=0.1, minutes=None), *found.told),
        steps=("Run an agent on the attic node: its own way out would tell the two hops apart.",),
    )


def learning() -> Bulletin:
    unknown = {"state": LinkState.UNKNOWN, "probability": 0.0, "added_s": None}
    found = with_links(calm(), **{k.name.replace("-", "_").replace("/", "__"): unknown for k in calm().links})
    since = NOW_NS - 2 * MINUTE_NS
    return replace(found, since_ns=since, learning_s=480.0, told=(), notes=(), rooms=())


def silent() -> Bulletin:
    gone = {
        "state": LinkState.UNKNOWN,
        "probability": 0.0,
        "rtt_s": None,
        "added_s": None,
        "loss_ratio": None,
        "packets": 0,
    }
    found = with_links(calm(), **{k.name.replace("-", "_").replace("/", "__"): gone for k in calm().links})
    agents = (
        AgentNow(
            name="attic",
            heard_ns=NOW_NS - 14 * MINUTE_NS,
            trouble="192.0.2.2:8620: no answer within 5 s; is the agent running there?",
        ),
        AgentNow(name="desk", heard_ns=NOW_NS - 15 * MINUTE_NS, trouble=""),
        AgentNow(name="study", heard_ns=None, trouble="192.0.2.30:8620: connection refused"),
    )
    return replace(found, agents=agents)


def marginal() -> Bulletin:
    """Nothing is wrong with packets; the modem's upstream power is not as it should be."""
    hours = tuple(
        LevelSpan(
            start_ns=NOW_NS - (24 - h) * HOUR_NS,
            down_low_dbmv=-2.0 - h / 20,
            down_high_dbmv=3.0,
            snr_low_db=38.0 - h / 40,
            up_high_dbmv=49.0 + h / 10,
            uncorrectable=h % 5,
        )
        for h in range(24)
    )
    one = ModemNow(
        node="modem",
        at_ns=NOW_NS - 4 * MINUTE_NS,
        standing="marginal",
        headline="Marginal: upstream transmit power too high on 2 of 4 channels, worst up-3: 51.3 dBmV",
        complaints=(
            "upstream transmit power too high on 2 of 4 channels, worst up-3: 51.3 dBmV; "
            "wanted 35 to 50 dBmV (common practice); too much loss upstream",
        ),
        not_read=("codewords of 2 of 24 channels",),
        figures=("24 downstream channels: power -3.2 to +3.0 dBmV", "4 upstream channels: power +44.0 dBmV"),
        hours=hours,
    )
    return replace(calm(), modems=(one,), steps=("Take out splitters from the modem outwards.",))


def weeks() -> Bulletin:
    """A month, 12 days measured: the line each evening, a gap, a fault over midnight, one that is ongoing."""
    base = replace(at_fault(), modems=marginal().modems)
    midnight = NOW_NS // DAY_NS * DAY_NS
    faults = [
        _fault(Cause.UPSTREAM_LINK, "modem/provider-edge", midnight - d * DAY_NS, 19.5, 20.75)
        for d in range(12)
    ]
    faults += [
        _fault(Cause.WIRELESS_HOP, "desk/attic", midnight - 3 * DAY_NS, 9.0, 15.0),
        _fault(Cause.OWN_TRAFFIC, "own-traffic", midnight - 2 * DAY_NS, 23.5, 25.0),
        _fault(Cause.NOT_SEPARABLE, "node:router", midnight - 5 * DAY_NS, 3.0, 4.0),
        _fault(Cause.BACKHAUL, "attic/router", midnight, 17.87, 18.07),
    ]
    off = range(-5, 3)  # hours around one midnight in which the comparing machine was off
    hours = [h for h in range(-12 * 24, 19) if h + 4 * 24 not in off]
    judged = {midnight // HOUR_NS + h: (1 << 60) - 1 if h != 18 else 15 for h in hours}
    past = past_days([f for f in faults if f.start_ns < base.at_ns], judged, now_ns=base.at_ns, zone=UTC)
    days = tuple(
        replace(one, start_ns=midnight - ago * DAY_NS, uncorrectable=ago * 37 % 400)
        for ago, one in enumerate(base.modems[0].hours[:12])
        if ago not in (4, 5)
    )
    return replace(base, past=past, modems=(replace(base.modems[0], days=days[::-1]),))


def _fault(cause: Cause, element: str, day_ns: int, from_h: float, to_h: float) -> PastFault:
    start, end = (day_ns + round(h * HOUR_NS) for h in (from_h, to_h))
    return PastFault(cause=cause, elements=(element,), start_ns=start, end_ns=end)


STATES = {
    "calm": calm,
    "at-fault": at_fault,
    "group": group,
    "learning": learning,
    "silent": silent,
    "marginal": marginal,
    "weeks": weeks,
}
