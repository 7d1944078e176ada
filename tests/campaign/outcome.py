"""What came of a fault, as a row of the table, and how it is worked out from what an agent has kept."""

from collections.abc import Callable, Sequence
from itertools import pairwise

from msgspec import Struct

from campaign.house import LOST, House
from whichhop.printable import printable

EVERY_S = 1.0
"""How often a session within the home sends, unless a home file says otherwise."""
AROUND_NS = 4_000_000_000
"""Around a fault of the network: waiting time of packets that were out, and a beat."""
STEADY = "router:stamp"
ROUTINE = ("sessions, metrics on", "stopped", "home file read again", "first hop is", "the route to")


class Outcome(Struct, frozen=True, kw_only=True):
    """injected: faults. survived: measuring went on, and what was kept before is whole.

    lost: samples that a steady session owed and did not keep. most_lost_s: the longest gap. invented: packets
    told as lost while the path was whole. told: what the agent said. remark: what was measured besides.
    """

    fault: str
    injected: int
    survived: bool
    due: int
    lost: int
    most_lost_s: float
    invented: int
    told: str
    remark: str = ""
    most_s: float = 60.0
    """The longest gap that is allowed: a minute for a kill."""

    @property
    def passed(self) -> bool:
        """A minute at most is lost, nothing is invented, the agent lives."""
        return self.survived and self.most_lost_s <= self.most_s and not self.invented


class Span(Struct, frozen=True):
    """Wall-clock ns: `agent`: it ran and the path was whole, so samples were due; otherwise excused."""

    start_ns: int
    end_ns: int


def told(log: str, but: Sequence[str] = ROUTINE) -> str:
    """The first lines said that are no routine."""
    lines = [
        printable(line.removeprefix("whichhop: "))
        for line in log.splitlines()
        if line.strip() and not any(word in line for word in but)
    ]
    return " | ".join(lines[:3]) + (f" | and {len(lines) - 3} more" if len(lines) > 3 else "")


def outcome(
    house: House,
    fault: str,
    injected: int,
    lives: Sequence[Span],
    *,
    excused: Sequence[Span] = (),
    well: bool,
    log: str,
    remark: str = "",
    path_whole: bool = True,
    most_s: float = 60.0,
    shifted: Callable[[int], int] = lambda at_ns: at_ns,
) -> Outcome:
    """Hold what `desk` kept against what was due in its lives.

    path_whole: losses are nobody's fault but ours. shifted: its clock's time to the machine's.
    """
    kept = house.kept()
    steady = sorted(shifted(k.sent_ns) for k in kept if k.session == STEADY)
    due, gaps = 0.0, []
    for life in lives:
        inside = [at for at in steady if life.start_ns <= at <= life.end_ns]
        ends = [life.start_ns, *inside, life.end_ns]
        for before, after in pairwise(ends):
            pardoned = sum(max(0, min(after, e.end_ns) - max(before, e.start_ns)) for e in excused)
            gap_s = (after - before - pardoned) / 1e9
            if gap_s > 2 * EVERY_S:
                gaps.append(gap_s - EVERY_S)
        pardoned = sum(max(0, min(life.end_ns, e.end_ns) - max(life.start_ns, e.start_ns)) for e in excused)
        due += (life.end_ns - life.start_ns - pardoned) / 1e9 / EVERY_S
    invented = sum(
        path_whole
        and k.fate in LOST
        and k.session.startswith("router:")
        and any(life.start_ns <= shifted(k.sent_ns) <= life.end_ns for life in lives)
        and not any(e.start_ns - AROUND_NS <= shifted(k.sent_ns) <= e.end_ns + AROUND_NS for e in excused)
        for k in kept
    )
    return Outcome(
        fault=fault,
        injected=injected,
        survived=well,
        due=round(due),
        lost=round(sum(gaps) / EVERY_S),
        most_lost_s=round(max(gaps, default=0.0), 1),
        invented=invented,
        told=told(log),
        remark=remark,
        most_s=most_s,
    )


def table(rows: Sequence[Outcome]) -> str:
    """For people; what was told is cut to the line."""
    head = f"{'fault':<34}{'times':>6}{'survived':>9}{'due':>6}{'lost':>5}{'longest':>9}{'invented':>9}  told"
    lines = [head]
    for r in rows:
        said = (r.told or "nothing") + (f" [{r.remark}]" if r.remark else "")
        lines.append(
            f"{r.fault:<34}{r.injected:>6}{'yes' if r.survived else 'NO':>9}{r.due:>6}{r.lost:>5}"
            f"{r.most_lost_s:>7.1f} s{r.invented:>9}  {said[:170]}"
        )
    good = sum(r.passed for r in rows)
    lines.append(
        f"{good} of {len(rows)} as they should be: the agent lives, a minute at most is lost, and no loss"
        " is invented"
    )
    return "\n".join(lines)
