"""How much better an excess explains a session's tick than no excess does, on grids of delay and loss."""

from collections.abc import Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from whichhop.compare.inference.baseline import Baseline, Floats
from whichhop.compare.inference.settings import Settings
from whichhop.stats.log_beta import log_beta

DELAYS_S = np.array([0.005, 0.0075, 0.010, 0.016, 0.028, 0.050, 0.090, 0.160, 0.300, 0.600], dtype=np.float32)
"""From the least fault of a wire (5 ms) over that of a radio (16 ms) to what a doze may take (600 ms).
Derived: as the scale grows by SCALE_GROWTH, no excess between two values is more than 1.1 scales from the
nearer one; 7.5 ms lets an excess of 7 or 8 ms on a calm radio count as the minor one it is. Swept: half as
many values and twice as many gave the same figures (tests/suite/results/tries.md)."""
LOSSES = np.array([0.03, 0.08, 0.20, 0.45, 0.80, 1.00])
"""From the least loss that is a fault, 3 %, to a dead element. Swept: four values and eleven gave the same
figures (tests/suite/results/tries.md)."""
TAILS = np.array([0.16, 0.40])
"""Shares of the answers that a fault makes slow while the median hardly moves. Under some 6 % no fault comes
out likelier than none: a radio that looks for others has 3 to 5 % of them for minutes, and is well."""
SOME_LATE = np.array([0.08])
"""Or so many for minutes, the median at rest: a measured bad 2.4 GHz stretch has a twentieth of its packets
over 43 ms and a tenth over 30."""
AWAY_S = 0.11
"""Later than this at the mean is what waits while a good radio looks for others: half of a spike of 150 to
400 ms, and more of what is late at all; late packets of a bad stretch are 40 to 90 ms late (both measured).
It counts as not late: such spikes come every 8 to 15 s for minutes, and make as many late as that does."""
MOST_SOME_LATE, ALONE_SOME_LATE = 1.5, 0.5
"""What one session's tick may say for it. Derived: two late answers of ten, since what one session has by
itself, for as long as it may be, must not outweigh the rest; and where it is late all by itself as much as
another that is not says against it."""
TAIL_TEMPER = 0.6
"""As for delay: the slow packets of a tick are less independent than lost ones."""
SCALE_GROWTH = 0.3
"""An excess is not constant: the scale grows by this share of it. Halved nothing changed, doubled one false
verdict went (tests/suite/results/priors.md)."""
DEGREES = 4.0
"""Student t: tails heavy enough that one wild tick does not decide."""
FEW_ANSWERS = 6
"""Derived: with fewer the 80 % quantile leans on the slowest answer itself, since 0.8 (n - 1) is past n -
2."""
FURTHEST = 5000.0
"""Scales beyond this are all the same. Derived: two ratios of tails to the power 2.5 then stay under
(1 + 5000^2 / 4)^5 = 1e34, and a float32 holds 3e38; 14 000 is where it ends."""
AT_ONCE = 1 << 14
"""Values of the delay grid times ticks times sessions worked out at once: a short stretch costs as many calls
as a long one, and 64 kB of float32 stay in a processor's nearest memory."""
MOST = 80.0
"""Derived: e^80 = 6e34 leaves a float32 (3e38, e^88.7) room for the sum of all values of the grid."""


class Evidence(Struct, frozen=True, kw_only=True):
    """Log-ratios against "no excess", leak included, per grid value, tick and session.

    delay: (len(DELAYS_S), ticks, sessions). loss: (len(LOSSES), ticks, sessions). 0 where nothing speaks.
    """

    delay: Floats
    loss: Floats
    tail: Floats
    """(len(TAILS), ticks, sessions)."""
    late: Floats
    """(ticks, sessions), of SOME_LATE for minutes; sessions late all by themselves speak too."""
    alone: NDArray[np.bool_]
    """(ticks, sessions), True where a session was late all by itself, so that its delay was not heard."""

    def cut(self, first: int, end: int) -> "Evidence":
        """The ticks first..end-1, as views without a copy."""
        return Evidence(
            delay=self.delay[:, first:end],
            loss=self.loss[:, first:end],
            tail=self.tail[:, first:end],
            late=self.late[first:end],
            alone=self.alone[first:end],
        )


def joined(parts: Sequence[Evidence]) -> Evidence:
    """Stretches that follow each other as one."""
    return Evidence(
        delay=np.concatenate([p.delay for p in parts], axis=1),
        loss=np.concatenate([p.loss for p in parts], axis=1),
        tail=np.concatenate([p.tail for p in parts], axis=1),
        late=np.concatenate([p.late for p in parts]),
        alone=np.concatenate([p.alone for p in parts]),
    )


def tail(z: Floats) -> Floats:
    """1 + z^2 / DEGREES: to the power -(DEGREES + 1) / 2 it is Student's t density, but for a constant."""
    z = np.clip(z, -FURTHEST, FURTHEST)
    return np.asarray(np.float32(1.0) + z * z * np.float32(1.0 / DEGREES), dtype=z.dtype)


def _gain(value: Floats, loc: Floats, scale: Floats, excess: Floats, quiet: Floats) -> Floats:
    """Density at an excess over the density without, both Student t: ratio of tails to the power 2.5."""
    wide = scale + np.float32(SCALE_GROWTH) * excess
    ratio = quiet / tail(np.divide(value - (loc + excess), wide))
    return np.asarray(ratio * ratio * np.sqrt(ratio) * (scale / wide), dtype=np.float32)


def leaky(plain: Floats, leak: float) -> Floats:
    """Log-ratios from plain ratios (values, ...), with the leak; in place.

    Any session may do its own thing, whatever the cause, so no single one can prove or refute much.
    """
    own = np.float32(leak) * plain.mean(axis=0)
    kept = np.float32(1.0 - leak)
    plain *= kept
    plain += own
    plain /= kept + own
    return np.asarray(np.log(plain, out=plain))


def delay_evidence(
    q50: Floats, q80: Floats, answered: NDArray[np.uint16], base: Baseline, settings: Settings
) -> Floats:
    """Log-ratios of the delay grid, shape (len(DELAYS_S), ticks, sessions)."""
    out = np.empty((len(DELAYS_S), *q50.shape), dtype=np.float32)
    # An improvement is no fault: both tails of a Student t count, and the wider one wins far below.
    q50, q80 = np.maximum(q50, base.loc50), np.maximum(q80, base.loc80)
    quiet50 = tail((q50 - base.loc50) / base.scale50)
    quiet80 = tail((q80 - base.loc80) / base.scale80)
    few = answered < FEW_ANSWERS
    silent = ~np.isfinite(quiet50)
    some_few, some_silent = bool(few.any()), bool(silent.any())
    spread = np.float32(settings.spread_only)
    each = max(1, AT_ONCE // max(1, q50.size))
    for i in range(0, len(DELAYS_S), each):
        excess = DELAYS_S[i : i + each, None, None]
        # Both quantiles move, or only the upper one: spread without shift.
        plain = _gain(q50, base.loc50, base.scale50, excess, quiet50)
        plain *= 1 - spread
        plain += spread
        plain *= _gain(q80, base.loc80, base.scale80, excess, quiet80)
        # Tempered to the power 5/8 by roots, which cost less than a logarithm each.
        root = np.sqrt(plain)
        plain = root * np.sqrt(np.sqrt(root))
        if some_few:
            plain[:, few] = np.sqrt(plain[:, few])
        if some_silent:
            plain[:, silent] = 1.0
        out[i : i + each] = plain
    return leaky(out, settings.leak)


def log_beta_binomial(
    lost: NDArray[np.float64], sent: NDArray[np.float64], mean: NDArray[np.float64], rho: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Log probability of `lost` of `sent`, less the binomial coefficient, which ratios do not need.

    mean: of the beta distribution; rho: intra-tick correlation, so alpha + beta = (1 - rho) / rho.
    """
    size = (1.0 - rho) / rho
    alpha, beta = mean * size, (1.0 - mean) * size
    return np.asarray(log_beta(lost + alpha, sent - lost + beta) - log_beta(alpha, beta))


def loss_evidence(
    sent: NDArray[np.uint16], lost: NDArray[np.uint16], base: Baseline, settings: Settings
) -> Floats:
    """Log-ratios of the loss grid, shape (len(LOSSES), ticks, sessions)."""
    usual = (base.loss, base.rho)
    return _count_evidence(sent, lost, usual, LOSSES, temper=settings.loss_temper, leak=settings.leak)


def tail_evidence(
    answered: NDArray[np.uint16],
    slow: NDArray[np.uint16],
    base: Baseline,
    settings: Settings,
    *,
    shares: NDArray[np.float64] = TAILS,
    least: float = 0.0,
) -> Floats:
    """Log-ratios of a grid of slow shares, shape (len(shares), ticks, sessions). least: so many are usual
    anywhere."""
    usual = (np.maximum(base.slow, least), base.slow_rho)
    return _count_evidence(answered, slow, usual, shares, temper=TAIL_TEMPER, leak=settings.leak)


def _count_evidence(
    sent: NDArray[np.uint16],
    lost: NDArray[np.uint16],
    usual: tuple[NDArray[np.float64], NDArray[np.float64]],
    grid: NDArray[np.float64],
    *,
    temper: float,
    leak: float,
) -> Floats:
    """Log-ratios of shares that are lost, or slow, beyond what is usual: (len(grid), ticks, sessions).

    usual: each session's share and its over-dispersion.
    """
    share, rho = usual
    code = (sent.astype(np.uint32) << 16) | lost
    commonest = code.flat[0] if code.size else np.uint32(0)
    odd = np.nonzero(code != commonest)
    codes, inverse = np.unique(np.append(commonest, code[odd]), return_inverse=True)
    n = (codes >> 16).astype(np.float64)[:, None]
    k = (codes & 0xFFFF).astype(np.float64)[:, None]
    # Survivals multiply; certainty is kept a hair away so that one odd answer is not impossible.
    mean = np.minimum(1.0 - (1.0 - share) * (1.0 - grid[:, None, None]), 0.998)
    # With nothing beyond what is usual before them: few values, of which a call costs more than its work.
    quiet = np.broadcast_to(share, (1, 1, len(share)))
    found = log_beta_binomial(k, n, np.concatenate([quiet, mean]), rho)
    ratios = temper * (found[1:] - found[0])
    tables = ratios.astype(np.float32)
    tables[:, codes >> 16 == 0] = 0.0
    tables = leaky(np.exp(np.minimum(tables, np.float32(MOST))), leak)
    out = np.empty((len(grid), *sent.shape), dtype=np.float32)
    out[:] = tables[:, inverse[0], None]
    out[:, odd[0], odd[1]] = tables[:, inverse[1:], odd[1]]
    return out
