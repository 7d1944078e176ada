"""How well two elements at fault at once explain each tick: delays add, survivals multiply."""

from collections.abc import Iterable, Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.inference.baseline import Floats
from whichhop.compare.inference.evidence import (
    DELAY_TWICE,
    LOSS_TWICE,
    LOWEST,
    SHAPES,
    ElementColumns,
    interpolation,
    minor_evidence,
    mixed,
    part_evidence,
    part_sums,
    unanswered,
    with_tails,
)
from whichhop.compare.inference.held_size import held
from whichhop.compare.inference.likelihood import DELAYS_S, LOSSES, SCALE_GROWTH, Evidence

_TIMES = ((1, 1), (1, 2), (2, 1), (2, 2))
"""How often a session that crosses both elements may meet the first and the second."""
_CODES = np.arange(len(_TIMES), dtype=np.float32)[:, None]
_DELAY_SUMS = {
    (a, b): interpolation(DELAYS_S, a * DELAYS_S[:, None] + b * DELAYS_S[None, :]) for a, b in _TIMES
}
_LOSS_SUMS = {
    (a, b): interpolation(LOSSES, 1.0 - (1.0 - LOSSES[:, None]) ** a * (1.0 - LOSSES[None, :]) ** b)
    for a, b in _TIMES
}

# Every way two faults may look at once: which of the two delays, which loses, and the share of that.
_WAYS = [(da + 2 * db, la + 2 * lb, wa * wb) for da, la, wa in SHAPES for db, lb, wb in SHAPES]
_DELAY_OF = [d for d, _, _ in _WAYS]
_LOSS_OF = [k for _, k, _ in _WAYS]
_LOG_SHARES = np.log(np.array([[w] for _, _, w in _WAYS], dtype=np.float32))


AT_ONCE = 1 << 12
"""Pairs times ticks worked out at once: many short stretches cost few calls, and 81 sums of each stay in a
processor's own memory."""

Wanted = tuple[int, int, bool]
"""Two elements at fault; True: the second has only a minor excess."""


def joint(
    first: Floats,
    second: Floats,
    shared: Sequence[tuple[Floats, NDArray[np.float32]]],
    divisor: int,
    alone: Floats,
    *,
    kept: NDArray[np.bool_],
    lasting: bool,
) -> Floats:
    """Log mean over both excesses, (pairs, ticks).

    first, second: (values, pairs * ticks) sums over the sessions that cross only the one, only the other.
    shared: for sessions that cross both equally often, their (grid, pairs * ticks) sums and the weights
    (values of both, grid) that read these at the two excesses together. divisor: how many pairs of values
    there are. alone: (pairs, ticks) the better log-ratio of one of the two. kept: which pairs of values
    count. lasting: they may be what they were before.
    """
    count, (pairs, ticks) = first.shape[0] * second.shape[0], alone.shape
    out = np.empty((pairs, ticks), dtype=np.float32)
    some = max(1, (AT_ONCE >> 2) // max(1, ticks))
    every = bool(kept.all())
    for at in range(0, pairs, some):
        these = slice(at, at + some)
        cut = slice(at * ticks, (at + some) * ticks)
        each = first[:, None, cut] + second[None, :, cut]
        flat = each.reshape(count, each.shape[2])
        for sums, weights in shared:
            flat += weights @ sums[:, cut]
        flat = (flat if every else flat[kept]).reshape(-1, *alone[these].shape)
        out[these] = held(flat, alone[these], divisor, LOWEST) if lasting else log_sum(flat, divisor)
    return out


class Pairs:
    """Evidence of pairs of elements over one stretch; sums are kept, since many pairs share them."""

    def __init__(self, evidence: Evidence, columns: ElementColumns) -> None:
        self._columns = columns
        self._evidence = tuple(t.transpose(0, 2, 1) for t in (evidence.delay, evidence.loss))
        sums = part_sums(evidence, columns)
        self.delay, self.loss = part_evidence(sums, evidence, columns, lasting=True)
        self.minor = minor_evidence(sums, columns)
        plain = mixed(self.delay, self.loss)
        self.single, self.usual_slow = with_tails(plain, self.minor, evidence, columns)
        self._sums = tuple(np.ascontiguousarray(s.transpose(0, 2, 1)) for s in sums)
        self._unanswered = unanswered(sums).T
        self._meet = columns.matrix.T @ columns.matrix
        self._known: dict[Wanted, Floats] = {}
        self._joints: dict[tuple[int, int, int], Floats] = {}
        self._minors: dict[tuple[int, int], Floats] = {}
        self._below = below(columns.delays), below(columns.losses)
        # As octets, which name groups of pairs with the same values: each element's delays and losses.
        self._values = tuple([v.tobytes() for v in a.T] for a in (columns.delays, columns.losses))
        self._minor_values = tuple([v.tobytes() for v in a.T] for a in self._below)

    def part(self, which: int, a: int, b: int) -> Floats:
        """Log mean per tick over both excesses of one measure (0 delay, 1 loss) that both elements have."""
        first, second = min(a, b), max(a, b)
        if (which, first, second) not in self._joints:
            wanted = [(first, second, False)]
            self._parts(which, wanted, self._shared(wanted))
        return self._joints[which, first, second]

    def ratio(self, a: int, b: int) -> Floats:
        """Log-ratio per tick that elements a and b are at fault together, each in its own way."""
        return self._of((min(a, b), max(a, b), False))

    def beside_minor(self, a: int, b: int) -> Floats:
        """Log-ratio per tick that a is at fault while b has a minor excess, which only some may have."""
        return self._of((a, b, True))

    def _of(self, wanted: Wanted) -> Floats:
        if wanted not in self._known:
            self.work_out([wanted])
        return self._known[wanted]

    def work_out(self, wanted: Iterable[Wanted]) -> None:
        """Work out together what will be asked for: for few ticks a call costs more than its work."""
        several = []
        for a, b, minor in dict.fromkeys((*w,) if w[2] else (min(w[:2]), max(w[:2]), False) for w in wanted):
            if (a, b, minor) in self._known:
                continue
            if not minor and self._meet[a, b] == self._meet[a, a] == self._meet[b, b]:
                # Where both meet everywhere, packets see one excess.
                self._known[a, b, minor] = np.maximum(self.single[:, a], self.single[:, b])
            elif not self._meet[a, b]:
                other = self.minor if minor else self.single
                self._known[a, b, minor] = np.asarray(self.single[:, a] + other[:, b], dtype=np.float32)
            else:
                several.append((a, b, minor))
        each = max(1, AT_ONCE // max(1, self.single.shape[0]))
        for i in range(0, len(several), each):
            some = several[i : i + each]
            shared = self._shared(some)
            delay, loss = self._parts(0, some, shared), self._parts(1, some, shared)
            terms = delay[_DELAY_OF] + loss[_LOSS_OF] + _LOG_SHARES[:, :, None]
            top = terms.max(axis=0)
            self._known.update(zip(some, np.log(np.exp(terms - top).sum(axis=0)) + top, strict=True))

    def _shared(self, wanted: Sequence[Wanted]) -> Floats:
        """(pairs, len(_TIMES), sessions), 1 where a session crosses both, by how often it meets each."""
        (a, b), matrix, twice = (
            np.array([w[:2] for w in wanted]).T,
            self._columns.matrix.T,
            self._columns.twice.T,
        )
        code = twice[a] * 2 + twice[b]
        return np.where(code[:, None] == _CODES, (matrix[a] * matrix[b])[:, None], np.float32(0.0))

    def _parts(self, which: int, wanted: Sequence[Wanted], shared: Floats) -> Floats:
        """Log means of one measure, (4, pairs, ticks): for neither, for a alone, for b alone, for both."""
        whole, slight = self._values[which], self._minor_values[which]
        single = (self.delay, self.loss)[which].T
        out = np.zeros((4, len(wanted), single.shape[1]), dtype=np.float32)
        out[1], out[2] = single[[a for a, _, _ in wanted]], single[[b for _, b, _ in wanted]]
        alike: dict[tuple[bytes, bytes, bytes, bytes], list[int]] = {}
        present = np.asarray(shared.any(axis=2))
        for i, (a, b, minor) in enumerate(wanted):
            if minor:
                out[2, i] = self._under(which, b)
            met = present[i].tobytes(), self.within(which, a, b).tobytes()
            key = (whole[a], (slight if minor else whole)[b], *met)
            alike.setdefault(key, []).append(i)
        for key, places in alike.items():
            in_a, in_b, ways, within = (np.frombuffer(text, dtype=bool) for text in key)
            some = [wanted[i] for i in places]
            alone = np.maximum(out[1:3, places].max(axis=0), np.float32(0.0))
            values = in_a, in_b, told_apart(in_a, in_b, within)
            out[3, places] = self._joint(which, some, values, (shared[places][:, ways], ways), alone)
        if which == 0 and self._unanswered.any():
            # The delay of what lets nothing through is not known: the other's is all that there is.
            first, second = (self._unanswered[[w[k] for w in wanted]] for k in (0, 1))
            out[3] = np.where(second, out[1], np.where(first, out[2], out[3]))
        self._joints.update(((which, *w[:2]), row) for w, row in zip(wanted, out[3], strict=True) if not w[2])
        return out

    def within(self, which: int, a: int, b: int) -> NDArray[np.bool_]:
        """Whether all that meets a meets b too, and the reverse; of delays alone."""
        return np.array([which == 0 and self._meet[a, b] == self._meet[j, j] for j in (a, b)])

    def _under(self, which: int, b: int) -> Floats:
        """Log mean per tick over the minor excesses of an element."""
        if (which, b) not in self._minors:
            under = self._below[which][:, b]
            self._minors[which, b] = log_sum(self._sums[which][under, b], len(under))
        return self._minors[which, b]

    def _joint(
        self,
        which: int,
        wanted: Sequence[Wanted],
        allowed: Sequence[NDArray[np.bool_]],
        shared: tuple[Floats, NDArray[np.bool_]],
        alone: Floats,
    ) -> Floats:
        """Log mean for both at fault, (pairs, ticks), of pairs with the same values and ways of meeting.

        allowed: the values of the one, of the other, and of both together. shared: (pairs, ways, sessions), 1
        where a session crosses both, by how often it meets each; and which of _TIMES these ways are. alone:
        (pairs, ticks), the better log-ratio of one of the two.
        """
        (in_a, in_b, together), sums, (crossing, ways) = allowed, self._sums[which], shared
        values = len(in_a)
        # What crosses both is in each one's sum at its own value; it belongs in once, at the two together.
        first, second = (sums[:, [w[k] for w in wanted]].reshape(values, -1) for k in (0, 1))
        rows = (in_a[:, None] & in_b[None, :]).reshape(-1)
        doubled, both = (DELAY_TWICE, LOSS_TWICE)[which], []
        for k, times in enumerate(_TIMES[way] for way in np.flatnonzero(ways)):
            met = np.matmul(crossing[:, k], self._evidence[which]).reshape(values, -1)
            first -= doubled @ met if times[0] == 2 else met
            second -= doubled @ met if times[1] == 2 else met
            both.append((met, (_DELAY_SUMS, _LOSS_SUMS)[which][times][rows]))
        kept, lasting = together[in_a][:, in_b].reshape(-1), which == 0
        return joint(first[in_a], second[in_b], both, values**2, alone, kept=kept, lasting=lasting)


def told_apart(
    in_a: NDArray[np.bool_], in_b: NDArray[np.bool_], within: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Which sizes of two can be told from one, (sizes of a, sizes of b).

    An excess varies by SCALE_GROWTH of itself: a second one that is less, met only where the first is, would
    only mend the steps of the grid. within: whether a is met only where b is, and b only where a is.
    """
    size = DELAYS_S[: len(in_a)]
    out = in_a[:, None] & in_b[None, :]
    if within[0]:
        out &= size[:, None] >= SCALE_GROWTH * size[None, :]
    if within[1]:
        out &= size[None, :] >= SCALE_GROWTH * size[:, None]
    return out


def below(allowed: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The grid values under the least allowed one, (values, elements)."""
    return np.asarray(np.arange(len(allowed))[:, None] < allowed.argmax(axis=0))


def log_sum(values: Floats, divisor: int) -> Floats:
    """Log of the sum of exp over the first axis over `divisor`; LOWEST when there is nothing to sum."""
    if not values.shape[0]:
        return np.full(values.shape[1:], LOWEST, dtype=np.float32)
    top = values.max(axis=0)
    mean = np.log(np.exp(values - top).sum(axis=0) / np.float32(divisor)) + top
    return np.asarray(np.maximum(mean, LOWEST), dtype=np.float32)


def distinct_pairs(
    columns: Sequence[frozenset[int]], chosen: Sequence[int], apart: Sequence[int] = ()
) -> list[tuple[int, int]]:
    """Pairs of the chosen elements that can be told from one alone: their columns differ.

    apart: elements that evidence other than packets tells from those with the same column.
    """
    return [
        (a, b) for a, b in combinations(chosen, 2) if columns[a] != columns[b] or a in apart or b in apart
    ]
