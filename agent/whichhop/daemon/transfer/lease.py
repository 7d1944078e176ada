"""The home's one lease for transfers and its daily budget, and who keeps them: its first agent.

Kept by the first agent of the home file. A lease reserves its bytes before they are sent, and what was not
used is given back when it is returned; one that is never returned ends by itself and stays charged, so a
crash at any moment can only waste budget, never exceed it.
"""

import asyncio
import secrets
from collections.abc import Awaitable, Callable, Iterable
from typing import Any, Protocol

from msgspec import Struct, field
from msgspec.structs import replace

from whichhop.daemon.transfer.async_line import LeaseAsk, ReleaseAsk, asked_for
from whichhop.daemon.transfer.schedule import day_of, quiet_now
from whichhop.errors import StoreError, WhichhopError
from whichhop.model import Home, Method, Sample, SessionKey
from whichhop.model.figure_words import zone_of
from whichhop.model.transfer import Lease
from whichhop.model.units import NS_PER_S, UtcNs
from whichhop.net.clock import Clock

LONGEST_S = 300.0
LEAST_BYTES = 200_000
"""Below this a transfer would say nothing: it is not begun."""

BUSY_SHARE = 0.2
"""Use of the plan, the larger of both ways, from which the home counts as busy."""
BUSY_BPS = 5e6
"""The same where no plan is known. Both our own choice: a call needs a tenth of it."""
OWN_NS = 30 * NS_PER_S
"""After a lease the counters still hold the transfer itself; for so long their word is not taken."""

DAY_NS = 86_400 * NS_PER_S

FRESH_NS = 45 * NS_PER_S
"""Counts older than this say nothing of now."""

MOST = 20 * 300
"""Samples of one session: five minutes at 20 a second."""


class Ledger:
    """Every lease of the days still of interest, and what each used."""

    def __init__(self, leases: Iterable[Lease] = ()) -> None:
        """leases: as they were kept on the disk."""
        self._leases = {lease.number: lease for lease in leases}

    def put(self, lease: Lease) -> None:
        """Take a lease over, granted or returned, once it is on the disk."""
        self._leases[lease.number] = lease

    def all(self) -> list[Lease]:
        """Every lease, for a disk that has forgotten them."""
        return list(self._leases.values())

    def returned(self, number: str, used: int) -> Lease | None:
        """A lease as it is charged once it is returned; None for one that was never granted."""
        lease = self._leases.get(number)
        return None if lease is None else replace(lease, used=max(0, used))

    def spent(self, day: str) -> int:
        """Bytes charged to a day: used where a lease was returned, reserved where it was not."""
        return sum(lease.charged for lease in self._leases.values() if lease.day == day)

    def forget_before(self, day: str) -> None:
        """Drop the leases of earlier days (ISO 8601: the order of text is that of time)."""
        self._leases = {n: lease for n, lease in self._leases.items() if lease.day >= day}

    def held(self, now_ns: UtcNs) -> Lease | None:
        """The lease that stands now; one whose end is further off than any may be comes of a clock step."""
        for lease in self._leases.values():
            left_ns = lease.until_ns - now_ns
            if lease.used is None and 0 < left_ns <= LONGEST_S * NS_PER_S:
                return lease
        return None

    def grant(
        self, *, number: str, who: str, day: str, now_ns: UtcNs, seconds: float, octets: int, budget: int
    ) -> Lease | str:
        """A lease to be kept on the disk before it is told, or why there is none. Changes nothing."""
        held = self.held(now_ns)
        if held is not None:
            left_s = (held.until_ns - now_ns) / NS_PER_S
            return f"{held.who} is using the line; its lease ends within {left_s:.0f} s"
        left = budget - self.spent(day)
        if left < LEAST_BYTES:
            return (
                f"today's budget of {budget / 1e6:g} MB is used up ({max(left, 0) / 1e6:.1f} MB are left); "
                "it begins again at midnight, or raise limits.daily_transfer_mb"
            )
        until = now_ns + round(min(seconds, LONGEST_S) * NS_PER_S)
        return Lease(number=number, who=who, day=day, until_ns=until, octets=min(octets, left))


class LeaseUse(Struct, frozen=True, kw_only=True):
    """How fast the home itself uses its line, bit/s; None where nobody counts."""

    down_bps: float | None = None
    up_bps: float | None = None


def busy_words(use: LeaseUse, home: Home) -> str:
    """Why the home counts as busy, or ""; "" too where nobody counts."""
    rates = {"down": use.down_bps, "up": use.up_bps}
    plan = {"down": home.plan.down_bps, "up": home.plan.up_bps} if home.plan else {}
    for way, rate in rates.items():
        limit = plan[way] * BUSY_SHARE if way in plan else BUSY_BPS
        if rate is not None and rate > limit:
            return f"the home is using its line itself: {rate / 1e6:.1f} Mbit/s {way}"
    return ""


class LeaseTable(Protocol):
    """Where leases are kept (daemon.store_thread); generation grows when the disk has forgotten them."""

    generation: int

    async def leases(self) -> list[Lease]:
        """Every lease that still counts."""
        ...

    async def put_leases(self, kept: list[Lease]) -> None:
        """Keep leases, on the disk when this returns."""
        ...


class TransferKeeper:
    """Grants the lease. use: asks whoever counts the home's own traffic. Not to be used by two loops."""

    def __init__(
        self,
        home: Callable[[], Home],
        clock: Clock,
        table: LeaseTable,
        use: Callable[[], Awaitable[LeaseUse]],
    ) -> None:
        """Nothing is read yet."""
        self._home, self._clock, self._table, self._use = home, clock, table, use
        self._ledger: Ledger | None = None
        self._generation = 0
        self._lock = asyncio.Lock()
        self._ended_ns = 0

    async def lease(self, asked: LeaseAsk) -> dict[str, Any]:
        """Granted, wait (try again) or refused, with why."""
        async with self._lock:
            ledger, home = await self._opened(), self._home()
            now, zone = self._clock.utc_ns(), zone_of(home)
            held = ledger.held(now)
            if not asked.anyway and held is None:
                why = quiet_now(now, home.limits.quiet_hours, zone)
                if not why and now - self._ended_ns > OWN_NS:
                    why = busy_words(await self._use(), home)
                if why:
                    return {"refused": why}
            day = day_of(now, zone)
            ledger.forget_before(min(day, day_of(UtcNs(now - DAY_NS), zone)))
            lease = ledger.grant(
                number=secrets.token_hex(8),
                who=asked.who[:80],
                day=day,
                now_ns=now,
                seconds=asked.seconds,
                octets=asked.octets,
                budget=home.limits.daily_transfer_bytes,
            )
            if isinstance(lease, str):
                return {"wait" if held is not None else "refused": lease}
            await self._put(ledger, lease)
            return {"granted": lease.number, "octets": lease.octets}

    async def release(self, asked: ReleaseAsk) -> dict[str, Any]:
        """Take a lease back; what was not used may be used again today."""
        async with self._lock:
            ledger = await self._opened()
            lease = ledger.returned(asked.lease, asked.used)
            if lease is not None:
                await self._put(ledger, lease)
            self._ended_ns = self._clock.utc_ns()
            return {"released": True}

    async def today(self) -> dict[str, Any]:
        """What today's budget is and what of it is used."""
        async with self._lock:
            ledger, home = await self._opened(), self._home()
            now = self._clock.utc_ns()
            held = ledger.held(now)
            return {
                "budget": home.limits.daily_transfer_bytes,
                "spent": ledger.spent(day_of(now, zone_of(home))),
                "held": held.who if held else None,
            }

    async def _opened(self) -> Ledger:
        if self._ledger is None:
            try:
                self._ledger = Ledger(await self._table.leases())
            except StoreError as trouble:
                raise _not_kept(trouble) from trouble
            self._generation = self._table.generation
        return self._ledger

    async def _put(self, ledger: Ledger, lease: Lease) -> None:
        """On the disk first, then in the ledger; all of it where the disk has begun again."""
        try:
            await self._table.put_leases([lease])
            if self._table.generation != self._generation:
                await self._table.put_leases([*ledger.all(), lease])
                self._generation = self._table.generation
        except StoreError as trouble:
            raise _not_kept(trouble) from trouble
        ledger.put(lease)

    async def answer(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Answer a question of any kind; one that is not understood, or a trouble of ours, is a refusal."""
        try:
            if asked.get("ask") == "lease":
                return await self.lease(asked_for(asked, LeaseAsk))
            if asked.get("ask") == "release":
                return await self.release(asked_for(asked, ReleaseAsk))
            return await self.today()
        except WhichhopError as trouble:
            return {"refused": str(trouble)}


def _not_kept(trouble: StoreError) -> StoreError:
    return StoreError(f"{trouble}; no transfer starts until the budget can be kept")


class LoadWatch(Struct):
    """A sink for vetted samples; only those of Method.LOADED are kept."""

    _kept: dict[SessionKey, list[Sample]] = field(default_factory=dict)

    def add(self, key: SessionKey, sample: Sample) -> None:
        """One sample."""
        if key.method is Method.LOADED and len(kept := self._kept.setdefault(key, [])) < MOST:
            kept.append(sample)

    def take(self, key: SessionKey) -> list[Sample]:
        """The session's samples in the order sent; they are forgotten here."""
        return sorted(self._kept.pop(key, []), key=lambda s: s.sent_ns)


class LineUse:
    """How fast the home uses its line, from cumulative byte counts. Pure."""

    def __init__(self) -> None:
        self._points: list[tuple[int, float, float]] = []

    def add(self, at_ns: int, received: float, sent: float) -> None:
        """Two counters read together; the last two readings count."""
        self._points = [*self._points[-1:], (at_ns, received, sent)]

    def now(self, now_ns: int) -> LeaseUse:
        """The rates between the last two readings; unknown when they are old or a counter fell."""
        if len(self._points) < 2 or now_ns - self._points[-1][0] > FRESH_NS:
            return LeaseUse()
        (t0, r0, s0), (t1, r1, s1) = self._points
        if t1 <= t0 or r1 < r0 or s1 < s0:
            return LeaseUse()
        seconds = (t1 - t0) / NS_PER_S
        return LeaseUse(down_bps=(r1 - r0) * 8 / seconds, up_bps=(s1 - s0) * 8 / seconds)
