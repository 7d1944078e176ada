"""Finds radios whose packets come late again and again in a rhythm: they leave their channel to look; pure.

Few packets are late, so the hop's verdict may rightly be silent; a call or a game stutters all the same. The
rhythm itself is the evidence, and needs no size: chance has none.
"""

from collections.abc import Collection, Iterator, Mapping

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from whichhop.compare.windows.table import SLOW_S, WindowTable
from whichhop.inside.looks_of_radio import LONGEST_SCAN_S, SHORT_S
from whichhop.inside.packets import UNSTEADY, HopPackets, RecordsOf, packets_of
from whichhop.inside.rhythm import Period, pauses_of, period_of, together
from whichhop.model import Home, Link, LinkKind, Medium, SessionKey, derive_sessions
from whichhop.model.figure_words import how_long, percent
from whichhop.model.inner_cause import Felt, FeltCause
from whichhop.model.units import NS_PER_S

LOOKED_TICKS = 360
"""An hour: some cycles of the longest period, a quarter of an hour."""
SPANS_S = (3600.0, 1200.0, 600.0)
"""So much of the newest is looked at: a rhythm that began lately is diluted in the whole hour."""
LEAST_S = 300.0
"""Healthy radios look around now and then, for a minute or two (common practice): that is no fault."""
RECENT_S = 300.0
"""What has not come for so long, or for three cycles, is over."""
LEAST_SLOW, MOST_SLOW = 0.006, 0.4
"""Share of a hop's packets late or lost. One in two hundred is felt by nobody; more than two in five are no
moments any more."""
SURE = 8.0
"""How far a rhythm must stand above chance where no verdict says that anything is wrong, in powers of e: one
look in 3,000 at what has none, where it is looked six times an hour at some radios."""
HIT, SPARED = 0.3, 0.25
"""A session over the hop meets its moments with this share of what all over it do, at least; one beside it
with this share at most."""
EACH_S = 60.0
"""A session's level is taken anew so often: a drift is no moment."""
MOST_EACH = 6
"""Sessions over a hop, and beside it; more tell nothing new."""


class _Radio(Struct, frozen=True):
    """One radio hop, or all that share an access point. near: whose radio is meant, "" for several."""

    words: str
    near: str
    far: str
    links: tuple[Link, ...]


def scanning(home: Home, table: WindowTable, records: RecordsOf) -> Iterator[Felt]:
    """Each radio that leaves its channel in a rhythm, by the last hour. records: of the table's sessions."""
    late = table.span(max(0, table.ticks - LOOKED_TICKS), table.ticks)
    crossed = _crossed(home, late)
    found: list[tuple[_Radio, frozenset[SessionKey]]] = []
    for radio in _radios(home):
        over = frozenset(k for k, links in crossed.items() if links & {x.name for x in radio.links})
        beyond = any(
            over == {k for k, links in crossed.items() if other.name in links}
            for other in home.links
            if other.kind in (LinkKind.ACCESS, LinkKind.BEYOND)
        )
        # Packets that meet both alike cannot tell a radio from the line.
        if not over or beyond or not _worth_a_look(late, over):
            continue
        if any(over & theirs and len(r.links) <= len(radio.links) for r, theirs in found):
            continue
        told = _looked_at(radio, over, crossed, late, records)
        if told is not None:
            found.append((radio, over))
            yield told


def _crossed(home: Home, table: WindowTable) -> dict[SessionKey, frozenset[str]]:
    """The links that each session's packets cross, of what was measured."""
    heard = set(table.sessions)
    return {
        s.key: frozenset(link.name for link in s.path.links)
        for s in sorted(derive_sessions(home), key=lambda s: (len(s.path.links), str(s.key)))
        if s.key in heard and s.key.method not in UNSTEADY
    }


def _radios(home: Home) -> Iterator[_Radio]:
    """Each radio hop alone, then those of each access point together."""
    alone = [
        link
        for link in home.links
        if link.kind is LinkKind.WIRELESS or (link.kind is LinkKind.BACKHAUL and link.medium is Medium.RADIO)
    ]
    for link in alone:
        yield _Radio(f"Wi-Fi between {link.near} and {link.far}", link.near, link.far, (link,))
    for far in dict.fromkeys(link.far for link in alone):
        around = tuple(link for link in alone if link.far == far and link.kind is LinkKind.WIRELESS)
        if len(around) > 1:
            yield _Radio(f"Wi-Fi around {far}", "", far, around)


def _worth_a_look(table: WindowTable, over: Collection[SessionKey]) -> bool:
    """Whether as many packets are slow or lost as a rhythm would need; costs no packet."""
    columns = [i for i, key in enumerate(table.sessions) if key in over]
    newest = table.span(max(0, table.ticks - int(SPANS_S[-1] * NS_PER_S) // table.step_ns), table.ticks)
    return any(
        int(t.slow[:, columns].sum()) + int(t.lost[:, columns].sum())
        >= LEAST_SLOW * max(1, int(t.sent[:, columns].sum()))
        for t in (table, newest)
    )


def _looked_at(
    radio: _Radio,
    over: frozenset[SessionKey],
    crossed: Mapping[SessionKey, frozenset[str]],
    table: WindowTable,
    records: RecordsOf,
) -> Felt | None:
    # In the order of `crossed`, so those that meet the fewest other links come first.
    mine = [k for k in crossed if k in over][:MOST_EACH]
    others = [k for k in crossed if k not in over][:MOST_EACH]
    end_ns = table.at_ns(table.ticks)
    keys = dict.fromkeys([*mine, *others], 0.0)
    packets = packets_of(records(list(keys), table.start_ns, end_ns), keys, table.start_ns, end_ns)
    bad = _bad(packets)
    is_mine = packets.session < len(mine)
    for span_s in SPANS_S:
        since = max(0.0, packets.seconds - span_s)
        now = packets.sent_s >= since
        here = now & is_mine
        share = float(bad[here].mean()) if here.any() else 0.0
        if not LEAST_SLOW <= share <= MOST_SLOW:
            continue
        moments = packets.sent_s[here & bad] - since
        length = packets.seconds - since
        rhythm = (
            period_of(moments, length, chance=SURE)
            or pauses_of(moments, SURE)
            or period_of(together(moments), length, chance=SURE)
        )
        if rhythm is None or not _lasts(rhythm, moments, length):
            continue
        met = _met(packets, bad, now, len(mine), len(keys))
        if met is None:
            continue
        return _felt(radio, rhythm, share, span_s=length, confirmed=met)
    return None


def _lasts(rhythm: Period, moments: NDArray[np.float64], length: float) -> bool:
    if rhythm.lasts_s >= SHORT_S or rhythm.every_s > LONGEST_SCAN_S:
        return False
    over_s = float(moments[-1] - moments[0])
    return over_s >= LEAST_S and length - float(moments[-1]) <= max(RECENT_S, 3 * rhythm.every_s)


def _bad(packets: HopPackets) -> NDArray[np.bool_]:
    """Lost, or SLOW_S over the session's own median of the minute."""
    out = packets.lost.copy()
    minute = (packets.sent_s / EACH_S).astype(np.int64)
    for one in np.unique(packets.session):
        mine = np.flatnonzero(packets.session == one)
        cuts = np.flatnonzero(np.diff(minute[mine])) + 1
        for part in np.split(mine, cuts):
            rtt = packets.excess_s[part]
            known = rtt[np.isfinite(rtt)]
            if known.size:
                out[part] |= np.nan_to_num(rtt) > float(np.median(known)) + SLOW_S
    return out


def _met(
    packets: HopPackets, bad: NDArray[np.bool_], now: NDArray[np.bool_], mine: int, total: int
) -> int | None:
    """How many sessions over the hop met the others' moments; None where not all, or those beside it did.

    A session is held against the moments of the others, so that none confirms itself.
    """
    second = np.floor(packets.sent_s).astype(np.int64)
    hits = np.zeros(total)
    for i in range(total):
        theirs = now & (packets.session < mine) & (packets.session != i)
        its = now & (packets.session == i)
        moments = np.unique(second[theirs & bad])
        inside = np.isin(second, moments)
        if not (its & inside).any():
            hits[i] = np.nan
            continue
        outside = bad[its & ~inside].mean() if (its & ~inside).any() else 0.0
        hits[i] = max(0.0, float(bad[its & inside].mean()) - float(outside))
    over, beside = hits[:mine], hits[mine:]
    over, beside = over[np.isfinite(over)], beside[np.isfinite(beside)]
    if over.size == 0:  # a single session: nothing to hold it against
        return 1 if mine == 1 else None
    usual = float(np.median(over))
    if usual < 0.05 or (over < HIT * usual).any() or (beside > SPARED * usual).any():
        return None
    return int(over.size)


def _felt(radio: _Radio, rhythm: Period, share: float, *, span_s: float, confirmed: int) -> Felt:
    return Felt(
        cause=FeltCause.SCANS,
        where=radio.words,
        feels="calls and games stutter for a moment again and again, while pages and downloads seem fine",
        probability=0.9 if confirmed > 1 else 0.75,
        evidence=(
            f"packets were late or lost for a moment every {rhythm.every_words}, {rhythm.events} times in"
            f" {how_long(span_s)}; {percent(share, 1)} of the packets in all",
            f"the {confirmed} sessions over this hop met the same moments, and none beside it did"
            if confirmed > 1
            else "one session alone crosses this hop, so nothing else confirms it",
        ),
        steps=(
            f"Turn off background scanning on {radio.near}: location services, Wi-Fi assistants, a second"
            " network manager; update its driver.",
            f"Fix {radio.near} to one access point and band, where its settings allow it; wire it where that"
            " does not help.",
        )
        if radio.near
        else (
            f"Set a fixed channel on {radio.far} and turn off its automatic choice of channel and its look at"
            " neighbours; update its firmware.",
        ),
        check="whichhop status, a quarter of an hour later",
        source="IEEE 802.11 scanning leaves the channel, 100 ms for each other one; rhythm: common practice",
    )
