"""Gathers what advice may rest on, for `advise`, `capacity`, `compare` and for the live comparer."""

from collections.abc import Callable, Sequence

from whichhop.advice.facts import HomeFacts, newest_ns
from whichhop.advice.provider import SHORT_S
from whichhop.advice.rank import advise
from whichhop.advice.step import RecommendationKind, step_line
from whichhop.app.stored.modem_now import by_modem, modems_now, pair_of
from whichhop.cabling.equipment import on_the_way
from whichhop.cabling.explain import Explanation, explain_line
from whichhop.cabling.level_readings import from_readings
from whichhop.cabling.rates import RADIO_REAL
from whichhop.capacity.links import DOWN, UP, Ceilings, capacities, lowest, observed_ceilings
from whichhop.capacity.plan import upstream_tests
from whichhop.capacity.transfers import measured_of
from whichhop.compare.bulletin import MOST_STEPS
from whichhop.config.check import House
from whichhop.model import Home, ModemLevels, Reading, Session, Verdict
from whichhop.model import Path as Way
from whichhop.model.channel import ModemNow
from whichhop.model.figure_words import zone_of
from whichhop.model.hop_facts import OF_LINKS
from whichhop.model.inner_cause import Felt
from whichhop.model.note import Note
from whichhop.model.units import NS_PER_S

OF_LONG = ("transfer_", "levels/", *(f"{name}:" for name in OF_LINKS))
"""Readings of which the newest counts, however old."""
AGAIN_NS = 600 * NS_PER_S

Read = Callable[[int], list[Reading]]
"""Gives the readings of the time up to an instant, UTC ns."""


def known_home(
    house: House,
    home_file: str,
    *,
    start_ns: int,
    end_ns: int,
    sessions: Sequence[Session],
    verdicts: Sequence[Verdict],
    readings: Sequence[Reading],
    levels: Sequence[ModemLevels] | None = None,
    notes: Sequence[Note] = (),
    felt: Sequence[Felt] = (),
) -> HomeFacts:
    """Everything known of a home. levels: instead of those among the readings."""
    lasting = [r for r in readings if r.name.startswith(OF_LONG)]
    verdicts = [v for v in verdicts if not _of_revoked(house.home, v)]
    rates = measured_of(lasting)
    ceilings = lowest(link_ceilings(house), observed_ceilings(house.home, lasting, radio_share=RADIO_REAL))
    return HomeFacts(
        home=house.home,
        home_file=home_file,
        start_ns=start_ns,
        end_ns=end_ns,
        sessions=tuple(sessions),
        verdicts=tuple(verdicts),
        lines=tuple(line_explanations(verdicts, end_ns, house, lasting)),
        rates=tuple(rates),
        tests=tuple(upstream_tests(house.home, lasting, capacities(house.home, rates, ceilings))),
        zone=zone_of(house.home),
        rated_ns=newest_ns(lasting),
        ceilings=ceilings,
        boxes=house.boxes,
        run=house.run,
        notes=tuple(notes),
        felt=tuple(felt),
        levels=_newest_levels(lasting) if levels is None else tuple(levels),
    )


def _of_revoked(home: Home, verdict: Verdict) -> bool:
    """Whether all that a verdict names went with a machine that was taken out of the home: nothing to do."""
    gone = {name for name, node in home.nodes.items() if node.revoked}
    behind = gone - {link.far for link in home.links}
    links = {link.name for link in home.links if link.near in behind}
    return bool(gone) and all(e in links or e.rpartition(":")[2] in gone for e in verdict.elements)


def _newest_levels(readings: Sequence[Reading]) -> tuple[ModemLevels, ...]:
    """The newest reading of the modem that was read last, and one before it to count from."""
    found = by_modem(from_readings(readings))
    last = max(found.values(), key=lambda of_one: of_one[-1].at_ns, default=None)
    return pair_of(last) if last else ()


class LiveAdvice:
    """The best steps after each turn; worked out anew when the verdicts change, and every ten minutes."""

    def __init__(self, house: House, home_file: str, read: Read) -> None:
        self._house, self._home_file, self._read = house, home_file, read
        self._for: tuple[object, ...] = ()
        self._at_ns = 0
        self._steps: tuple[str, ...] = ()
        self.modems: tuple[ModemNow, ...] = ()
        """Every modem that was read lately, as known when the steps were worked out."""
        self.felt: tuple[Felt, ...] = ()
        """What is felt though no hop is slow, as known then."""

    def steps(
        self,
        verdicts: Sequence[Verdict],
        sessions: Sequence[Session],
        start_ns: int,
        end_ns: int,
        notes: Sequence[Note] = (),
        *,
        felt: Callable[[], Sequence[Felt]] = tuple,
    ) -> tuple[str, ...]:
        """At most four lines, the best first; none where nothing was wrong and nothing is under the plan."""
        told = (
            tuple((v.cause, v.elements, v.proven, v.start_ns, _how_long(v, end_ns)) for v in verdicts),
            tuple(notes),
        )
        if told != self._for or not 0 <= end_ns - self._at_ns < AGAIN_NS:
            readings = self._read(end_ns)
            self.felt = tuple(felt())
            self.modems = modems_now(from_readings(readings), self._house.home, end_ns)
            known = known_home(
                self._house,
                self._home_file,
                start_ns=start_ns,
                end_ns=end_ns,
                sessions=sessions,
                verdicts=verdicts,
                readings=readings,
                notes=notes,
                felt=self.felt,
            )
            steps = advise(known)
            # Who has a fault now is not to measure something else first.
            learns = bool(verdicts) and not any(s.now for s in steps)
            found = [s for s in steps if learns or s.kind is not RecommendationKind.MEASURE]
            self._steps = tuple(dict.fromkeys(step_line(s) for s in found))[:MOST_STEPS]
            self._for, self._at_ns = told, end_ns
        return self._steps


def _how_long(verdict: Verdict, now_ns: int) -> str:
    """What of a verdict's length the steps depend on."""
    if verdict.end_ns is not None:
        return "over"
    return "short" if now_ns - verdict.start_ns < SHORT_S * NS_PER_S else "long"


def line_explanations(
    verdicts: Sequence[Verdict], end_ns: int, house: House, readings: Sequence[Reading]
) -> list[Explanation | None]:
    """One for each verdict; None where it is not about the access line or where no levels are ever read.

    end_ns: where the judged span ends, for verdicts that last.
    """
    about = [v for v in verdicts if v.near_line]
    if not house.home.levels or not about:
        return [None] * len(verdicts)
    history = from_readings(readings)
    loss = [(v.start_ns, v.end_ns or end_ns) for v in about if v.severity is not None and v.severity.lost]

    def one(verdict: Verdict) -> Explanation | None:
        known = [levels for levels in history if levels.at_ns <= (verdict.end_ns or end_ns)]
        return explain_line(verdict, known, house.run, loss)

    return [one(v) if v in about else None for v in verdicts]


def link_ceilings(house: House) -> Ceilings:
    """The lowest ceiling of the boxes at each link's ends, as the home file's equipment describes them."""
    boxes = {box.node: box for box in house.boxes}
    found: list[Ceilings] = []
    for link in house.home.links:
        if link.near in house.home.nodes and link.far in house.home.nodes:
            for one in on_the_way(Way(nodes=(link.near, link.far), links=(link,)), boxes):
                words = f"{one.node}'s {one.part} ({one.basis})"
                found.append({(link.name, DOWN): (one.down_bps, words), (link.name, UP): (one.up_bps, words)})
    return lowest(*found)
