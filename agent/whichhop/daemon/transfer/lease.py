"""The keeper of lease and budget: the first agent of the home file answers who may move data now."""

import asyncio
import secrets
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Any, Protocol

from whichhop.daemon.transfer.allowed_hours import day_of, quiet_now
from whichhop.daemon.transfer.asks import LeaseAsk, ReleaseAsk, asked_for
from whichhop.daemon.transfer.ledger import Ledger
from whichhop.errors import StoreError, WhichhopError
from whichhop.model import Home
from whichhop.model.time_words import zone_of
from whichhop.model.transfer import Lease
from whichhop.model.units import NS_PER_S, UtcNs
from whichhop.net.clock import Clock

BUSY_SHARE = 0.2
"""Use of the plan, the larger of both ways, from which the home counts as busy."""
BUSY_BPS = 5e6
"""The same where no plan is known. Both our own choice: a call needs a tenth of it."""
OWN_NS = 30 * NS_PER_S
"""After a lease the counters still hold the transfer itself; for so long their word is not taken."""

DAY_NS = 86_400 * NS_PER_S


@dataclass(frozen=True, slots=True, kw_only=True)
class LeaseUse:
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
