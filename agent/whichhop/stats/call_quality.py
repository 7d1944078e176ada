"""How a voice call would sound: ITU-T G.107's R factor, whole, from delay, loss and its burstiness.

Formulas and defaults from memory of ITU-T G.107 (06/2015), checked against published points (see
tests/data/check_values.json); codec figures from memory of G.113 appendix I.
"""

import math

from msgspec import Struct


class Codec(Struct, frozen=True, kw_only=True):
    """A codec's two figures of G.113 appendix I.

    impairment: Ie, on the R scale, without loss. robustness: Bpl, per cent of loss, larger is sturdier.
    """

    name: str
    impairment: float
    robustness: float


G711_CONCEALED = Codec(name="G.711 with loss concealment", impairment=0.0, robustness=25.1)


class Parameters(Struct, frozen=True, kw_only=True):
    """G.107 table 2: everything but delay and loss, at its default; our packets say nothing of these.

    Loudness ratings and attenuations in dB, noise in dBm0p, dBmp or dB(A).
    """

    slr_db: float = 8.0
    rlr_db: float = 2.0
    stmr_db: float = 15.0
    lstr_db: float = 18.0
    ds: float = 3.0
    telr_db: float = 65.0
    wepl_db: float = 110.0
    qdu: float = 1.0
    nc_dbm0p: float = -70.0
    nfor_dbmp: float = -64.0
    ps_dba: float = 35.0
    pr_dba: float = 35.0
    advantage: float = 0.0

    @property
    def olr_db(self) -> float:
        """Overall loudness rating."""
        return self.slr_db + self.rlr_db


DEFAULTS = Parameters()


class Rating(Struct, frozen=True, kw_only=True):
    """R and its parts on the 0..100 scale: R = Ro - Is - Id - Ie_eff + A; and the opinion score from R."""

    signal_to_noise: float
    simultaneous: float
    delay: float
    equipment: float
    r: float
    mos: float


def noise_sum_dbm0p(par: Parameters = DEFAULTS) -> float:
    """No: all noise sources added as powers, dBm0p (G.107 7.2)."""
    near = par.ps_dba - par.olr_db - par.ds - 14
    nos = par.ps_dba - par.slr_db - par.ds - 100 + 0.004 * near**2
    pre = par.pr_dba + 10 * math.log10(1 + 10 ** ((10 - par.lstr_db) / 10))
    nor = par.rlr_db - 121 + pre + 0.008 * (pre - 35) ** 2
    nfo = par.nfor_dbmp + par.rlr_db
    return 10 * math.log10(sum(10 ** (level / 10) for level in (par.nc_dbm0p, nos, nor, nfo)))


def signal_to_noise(par: Parameters = DEFAULTS) -> float:
    """Ro, the basic signal-to-noise ratio on the R scale (G.107 7.2)."""
    return 15 - 1.5 * (par.slr_db + noise_sum_dbm0p(par))


def simultaneous_impairment(one_way_ms: float = 0.0, par: Parameters = DEFAULTS) -> float:
    """Is: too loud, sidetone and quantising together (G.107 7.4); `one_way_ms` is the mean delay T."""
    no, ro = noise_sum_dbm0p(par), signal_to_noise(par)
    x_olr = par.olr_db + 0.2 * (64 + no - par.rlr_db)
    too_loud = 20 * ((1 + (x_olr / 8) ** 8) ** (1 / 8) - x_olr / 8)
    stmr = -10 * math.log10(10 ** (-par.stmr_db / 10) + math.exp(-one_way_ms / 4) * 10 ** (-par.telr_db / 10))
    sidetone = (
        12 * (1 + ((stmr - 13) / 6) ** 8) ** (1 / 8)
        - 28 * (1 + ((stmr + 1) / 19.4) ** 35) ** (1 / 35)
        - 13 * (1 + ((stmr - 3) / 33) ** 13) ** (1 / 13)
        + 29
    )
    q = 37 - 15 * math.log10(par.qdu)
    g = 1.07 + 0.258 * q + 0.0602 * q**2
    y = (ro - 100) / 15 + 46 / 8.4 - g / 9
    z = 46 / 30 - g / 40
    quantising = 15 * math.log10(1 + 10**y + 10**z)
    return float(too_loud + sidetone + quantising)


def pure_delay_impairment(one_way_ms: float) -> float:
    """Idd: what absolute delay alone costs; 0 up to 100 ms (G.107 7.5)."""
    if one_way_ms <= 100:
        return 0.0
    x = math.log2(one_way_ms / 100)
    return float(25 * ((1 + x**6) ** (1 / 6) - 3 * (1 + (x / 3) ** 6) ** (1 / 6) + 2))


def delay_impairment(one_way_ms: float, par: Parameters = DEFAULTS) -> float:
    """Id: talker echo, listener echo and pure delay (G.107 7.5), with T = Ta and Tr = 2 T.

    one_way_ms: mouth to ear: network, codec and playout buffer, each way alike; a negative one is a
    ValueError.
    """
    if one_way_ms < 0:
        raise ValueError(f"one-way delay {one_way_ms} ms must not be negative")
    t, no, ro = one_way_ms, noise_sum_dbm0p(par), signal_to_noise(par)
    terv = par.telr_db - 40 * math.log10((1 + t / 10) / (1 + t / 150)) + 6 * math.exp(-0.3 * t**2)
    roe = -1.5 * (no - par.rlr_db)
    re = 80 + 2.5 * (terv - 14)
    talker = ((roe - re) / 2 + math.sqrt((roe - re) ** 2 / 4 + 100) - 1) * -math.expm1(-t)
    rle = 10.5 * (par.wepl_db + 7) * (2 * t + 1) ** -0.25
    listener = (ro - rle) / 2 + math.sqrt((ro - rle) ** 2 / 4 + 169)
    return float(talker + listener + pure_delay_impairment(t))


def equipment_impairment(codec: Codec, loss_ratio: float, burst_ratio: float = 1.0) -> float:
    """Ie-eff: codec and packet loss (G.107 7.3).

    loss_ratio: 0 to 1, late packets that miss the playout buffer included. burst_ratio: BurstR, 1 for
    independent losses (`loss_model.burst_ratio`).
    """
    if not 0 <= loss_ratio <= 1 or burst_ratio <= 0:
        raise ValueError(f"loss ratio {loss_ratio} must lie in 0..1 and burst ratio {burst_ratio} above 0")
    percent = 100 * loss_ratio
    return codec.impairment + (95 - codec.impairment) * percent / (percent / burst_ratio + codec.robustness)


def opinion_score(r: float) -> float:
    """MOS (CQE) from R, 1 to 4.5 (G.107 annex B).

    The polynomial dips under 1 for R in (0, 6.52); the scale has nothing there, so it is held at 1.
    """
    if r <= 0:
        return 1.0
    if r >= 100:
        return 4.5
    return max(1.0, 1 + 0.035 * r + r * (r - 60) * (100 - r) * 7e-6)


def rate_call(
    *,
    one_way_ms: float,
    loss_ratio: float,
    burst_ratio: float = 1.0,
    codec: Codec = G711_CONCEALED,
    par: Parameters = DEFAULTS,
) -> Rating:
    """R and MOS of a call over a path with that mouth-to-ear delay (ms) and loss (0 to 1), ITU-T G.107.

    No sample at all has no rating: callers with nothing answered have no delay to pass. All lost with a
    known delay is a rating near R = 0.
    """
    ro = signal_to_noise(par)
    simultaneous = simultaneous_impairment(one_way_ms, par)
    delay = delay_impairment(one_way_ms, par)
    equipment = equipment_impairment(codec, loss_ratio, burst_ratio)
    r = ro - simultaneous - delay - equipment + par.advantage
    return Rating(
        signal_to_noise=ro,
        simultaneous=simultaneous,
        delay=delay,
        equipment=equipment,
        r=r,
        mos=opinion_score(r),
    )
