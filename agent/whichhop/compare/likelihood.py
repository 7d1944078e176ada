"""How much better an excess explains a session's tick than no excess does, on grids of delay and loss."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaln

from whichhop.compare.baseline import Baseline, Floats
from whichhop.compare.settings import Settings

DELAYS_S = np.array([0.005, 0.010, 0.016, 0.028, 0.050, 0.090, 0.160, 0.300, 0.600], dtype=np.float32)
LOSSES = np.array([0.03, 0.08, 0.20, 0.45, 0.80, 1.00])
SCALE_GROWTH = 0.3
"""An excess is not constant: the scale grows by this share of it."""
DEGREES = 4.0
"""Student t: tails heavy enough that one wild tick does not decide."""
FEW_ANSWERS = 6
MOST = 80.0
"""exp of this still fits a float32."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """Log-ratios against "no excess", leak included, per grid value, tick and session.

    delay: (len(DELAYS_S), ticks, sessions). loss: (len(LOSSES), ticks, sessions). 0 where nothing speaks.
    """

    delay: Floats
    loss: Floats


def log_t(z: Floats) -> Floats:
    """Student t log density with DEGREES degrees of freedom, less its constant."""
    return np.asarray(-0.5 * (DEGREES + 1.0) * np.log(1.0 + z * z * np.float32(1.0 / DEGREES)), dtype=z.dtype)


def _shifted(value: Floats, loc: Floats, scale: Floats, excess: np.float32, quiet: Floats) -> Floats:
    wide = scale + np.float32(SCALE_GROWTH) * excess
    return np.asarray(log_t((value - (loc + excess)) / wide) - quiet - np.log(wide / scale), dtype=np.float32)


def leaky(ratio: Floats, leak: float) -> Floats:
    """Log-ratios (values, ...) with the leak: any session may do its own thing, whatever the cause."""
    plain = np.exp(np.minimum(ratio, np.float32(MOST)))
    own = np.float32(leak) * plain.mean(axis=0)
    kept = np.float32(1.0 - leak)
    plain *= kept
    plain += own
    np.log(plain, out=plain)
    plain -= np.log(kept + own)
    return plain


def delay_evidence(
    q50: Floats, q80: Floats, answered: NDArray[np.uint16], base: Baseline, settings: Settings
) -> Floats:
    """Log-ratios of the delay grid, shape (len(DELAYS_S), ticks, sessions)."""
    out = np.empty((len(DELAYS_S), *q50.shape), dtype=np.float32)
    quiet50 = log_t((q50 - base.loc50) / base.scale50)
    quiet80 = log_t((q80 - base.loc80) / base.scale80)
    weight = np.where(answered < FEW_ANSWERS, 0.5, 1.0) * settings.delay_temper
    weight = weight.astype(np.float32)
    silent = ~np.isfinite(quiet50)
    spread = np.float32(settings.spread_only)
    for i, excess in enumerate(DELAYS_S):
        l50 = _shifted(q50, base.loc50, base.scale50, excess, quiet50)
        l80 = _shifted(q80, base.loc80, base.scale80, excess, quiet80)
        # Both quantiles move, or only the upper one: spread without shift.
        both = np.log((1 - spread) * np.exp(np.minimum(l50, np.float32(MOST))) + spread)
        out[i] = (l80 + both) * weight
    out[:, silent] = 0.0
    return leaky(out, settings.leak)


def log_beta_binomial(
    lost: NDArray[np.float64], sent: NDArray[np.float64], mean: NDArray[np.float64], rho: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Log probability of `lost` of `sent`, less the binomial coefficient, which ratios do not need.

    mean: of the beta distribution; rho: intra-tick correlation, so alpha + beta = (1 - rho) / rho.
    """
    size = (1.0 - rho) / rho
    alpha, beta = mean * size, (1.0 - mean) * size
    return np.asarray(betaln(lost + alpha, sent - lost + beta) - betaln(alpha, beta))


def loss_evidence(
    sent: NDArray[np.uint16], lost: NDArray[np.uint16], base: Baseline, settings: Settings
) -> Floats:
    """Log-ratios of the loss grid, shape (len(LOSSES), ticks, sessions)."""
    code = (sent.astype(np.int64) << 16) | lost
    codes, inverse = np.unique(code, return_inverse=True)
    inverse = inverse.reshape(code.shape)
    n = (codes >> 16).astype(np.float64)[:, None]
    k = (codes & 0xFFFF).astype(np.float64)[:, None]
    quiet = log_beta_binomial(k, n, base.loss, base.rho)
    # Survivals multiply; certainty is kept a hair away so that one odd answer is not impossible.
    tables = np.empty((len(LOSSES), *quiet.shape), dtype=np.float32)
    for i, excess in enumerate(LOSSES):
        mean = np.minimum(1.0 - (1.0 - base.loss) * (1.0 - excess), 0.998)
        tables[i] = settings.loss_temper * (log_beta_binomial(k, n, mean, base.rho) - quiet)
    tables[:, codes >> 16 == 0] = 0.0
    tables = leaky(tables, settings.leak)
    column = np.arange(sent.shape[1])
    out = np.empty((len(LOSSES), *sent.shape), dtype=np.float32)
    for i in range(len(LOSSES)):
        out[i] = tables[i][inverse, column]
    return out
