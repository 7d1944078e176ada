"""The keeper of lease and budget: the first agent of the home file answers who may move data now."""

import asyncio
import secrets
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from datetime import tzinfo
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from whichhop.daemon.transfer.allowed_hours import day_of, quiet_now
from whichhop.daemon.transfer.journal import Journal
from whichhop.errors import WhichhopError
from whichhop.model import Home
from whichhop.model.units import NS_PER_S
from whichhop.net.clock import Clock

BUSY_SHARE = 0.2
"""Use of the plan, the larger of both ways, from which the home counts as busy."""
BUSY_BPS = 5e6
"""The same where no plan is known. Both our own choice: a call needs a tenth of it."""
OWN_NS = 30 * NS_PER_S
"""After a lease the counters still hold the transfer itself; for so long their word is not taken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Use:
    """How fast the home itself uses its line, bit/s; None where nobody counts."""

    down_bps: float | None = None
    up_bps: float | None = None


def busy_words(use: Use, home: Home) -> str:
    """Why the home counts as busy, or ""; "" too where nobody counts."""
    rates = {"down": use.down_bps, "up": use.up_bps}
    plan = {"down": home.plan.down_bps, "up": home.plan.up_bps} if home.plan else {}
    for way, rate in rates.items():
        limit = plan[way] * BUSY_SHARE if way in plan else BUSY_BPS
        if rate is not None and rate > limit:
            return f"the home is using its line itself: {rate / 1e6:.1f} Mb/s {way}"
    return ""


def zone_of(home: Home) -> tzinfo | None:
    """The home's zone; None takes this machine's, as where a small box carries no time zones at all."""
    try:
        return ZoneInfo(home.zone) if home.zone else None
    except ZoneInfoNotFoundError:
        return None


class TransferKeeper:
    """Grants the lease. use: asks whoever counts the home's own traffic. Not to be used by two loops."""

    def __init__(self, home: Home, clock: Clock, path: Path, use: Callable[[], Awaitable[Use]]) -> None:
        """Nothing is read yet."""
        self.home, self._clock, self._path, self._use = home, clock, path, use
        self._journal: Journal | None = None
        self._lock = asyncio.Lock()
        self._ended_ns = 0

    async def lease(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Answer {"who", "seconds", "octets", "anyway"}: granted, wait (try again) or refused, with why."""
        anyway = bool(asked.get("anyway"))
        async with self._lock:
            journal = await self._opened()
            now, zone = self._clock.utc_ns(), zone_of(self.home)
            held = journal.ledger.held(now)
            if not anyway and held is None:
                why = quiet_now(now, self.home.limits.quiet_hours, zone)
                if not why and now - self._ended_ns > OWN_NS:
                    why = busy_words(await self._use(), self.home)
                if why:
                    return {"refused": why}
            lease = journal.ledger.grant(
                number=secrets.token_hex(8),
                who=str(asked["who"])[:80],
                day=day_of(now, zone),
                now_ns=now,
                seconds=float(asked["seconds"]),
                octets=int(asked["octets"]),
                budget=self.home.limits.daily_transfer_bytes,
            )
            if isinstance(lease, str):
                return {"wait" if held is not None else "refused": lease}
            await asyncio.to_thread(journal.write, lease.line())
            return {"granted": lease.number, "octets": lease.octets}

    async def release(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Take a lease back: {"lease", "used"}; what was not used may be used again today."""
        async with self._lock:
            journal = await self._opened()
            line = {"lease": str(asked["lease"]), "used": int(asked["used"])}
            await asyncio.to_thread(journal.write, line)
            self._ended_ns = self._clock.utc_ns()
            return {"released": True}

    async def today(self) -> dict[str, Any]:
        """What today's budget is and what of it is used."""
        async with self._lock:
            journal = await self._opened()
            now = self._clock.utc_ns()
            held = journal.ledger.held(now)
            return {
                "budget": self.home.limits.daily_transfer_bytes,
                "spent": journal.ledger.spent(day_of(now, zone_of(self.home))),
                "held": held.who if held else None,
            }

    async def _opened(self) -> Journal:
        if self._journal is None:
            today = day_of(self._clock.utc_ns(), zone_of(self.home))
            self._journal = await asyncio.to_thread(Journal, self._path, today)
        return self._journal

    async def answer(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Answer a question of any kind; a trouble of ours is a refusal with its line."""
        try:
            if asked.get("ask") == "lease":
                return await self.lease(asked)
            if asked.get("ask") == "release":
                return await self.release(asked)
            return await self.today()
        except WhichhopError as trouble:
            return {"refused": str(trouble)}
        except (KeyError, ValueError, TypeError) as wrong:
            return {"refused": f"a question that is not understood: {wrong!r}"}

    def close(self) -> None:
        """Let go of the journal."""
        if self._journal is not None:
            self._journal.close()
