"""Rhythms in what was late or lost: a period of seconds to minutes, and the half-waves of the mains. Pure."""

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

Floats = NDArray[np.float64]

JOINED_S = 10.0
"""Bad seconds this near count as one event where it is asked whether a period is chance."""
LEAST_EVENTS = 5
"""Fewer events than this have a period by chance too often."""
LEAST_CYCLES = 4.0
SHORTEST_S, LONGEST_S = 5.0, 1800.0
MOST_BAD = 0.4
"""Where more of the seconds are bad than this, they are no events any more."""
CHANCE = 4.0
"""How far a period must stand above chance, in powers of e; each octave of periods may be met by chance as
often as the next (a Rayleigh test for each, paid for by the number of periods as long or longer)."""
PART = 0.04
"""Bad seconds nearer than this part of the period belong to one spell."""


class Period(Struct, frozen=True, kw_only=True):
    """Events that come again and again. every_s: the cycle. coherence: 0 to 1, how near they lie to their
    place in the cycle. kept: the share of cycles that had one. lasts_s: how long most spells are.
    wanders: they keep no beat, so their cycle is known only about."""

    every_s: float
    coherence: float
    kept: float
    events: int
    lasts_s: float
    wanders: bool = False

    @property
    def every_words(self) -> str:
        """How often it comes, to stand after "every"."""
        every = f"{self.every_s:.0f} s" if self.every_s < 180 else f"{self.every_s / 60:.1f} min"
        return f"{every} or so" if self.wanders else every


def _spells(ordered: Floats, gap_s: float) -> tuple[Floats, Floats, Floats]:
    """Begin, length and number of moments of each run of moments that lie nearer than a gap; none of none."""
    cuts = np.flatnonzero(np.diff(ordered) > gap_s) + 1
    first = np.concatenate([[0], cuts])[: ordered.size]
    last = np.concatenate([cuts, [ordered.size]])[: ordered.size] - 1
    return ordered[first], ordered[last] - ordered[first], (last - first + 1).astype(float)


def period_of(bad_s: Floats, seconds: float, step_s: float = 1.0, chance: float = CHANCE) -> Period | None:
    """The period of the moments at which packets were bad; None where they have none.

    step_s: how finely moments are told. chance: how far above it a period must stand. All periods are tried;
    the longest that lines the bad seconds up nearly as well as any wins, since each part of it does so too.
    """
    if not bad_s.size:
        return None
    slots, counts = np.unique(np.floor(bad_s / step_s), return_counts=True)
    moments = slots * step_s + step_s / 2
    # A moment that many packets met is no stray one: it weighs more.
    weight = np.minimum(counts, 5) ** 1.5
    begins, _, _ = _spells(moments, max(JOINED_S, 1.5 * step_s))
    heavy = np.add.reduceat(weight, np.searchsorted(moments, begins))
    events = float(heavy.sum() ** 2 / (heavy**2).sum())
    if begins.size < LEAST_EVENTS or moments.size * step_s > MOST_BAD * seconds:
        return None
    span = float(moments[-1] - moments[0])
    longest, shortest = min(LONGEST_S, span / LEAST_CYCLES), max(SHORTEST_S, 4.0 * step_s)
    if longest <= shortest:
        return None
    # Steps so fine that over the whole span two neighbours differ by a quarter of a cycle.
    freqs = np.linspace(1 / longest, 1 / shortest, min(int(4 * span / shortest) + 2, 6_000))
    turned = np.exp(2j * np.pi * np.outer(freqs, moments)) @ weight
    coherence = np.abs(turned) / weight.sum()
    strong = events * coherence**2 > np.log1p(span * freqs) + chance
    if not strong.any():
        return None
    best = float(coherence[strong].max())
    place = int(np.flatnonzero(strong & (coherence >= 0.9 * best))[0])
    while place + 1 < freqs.size and coherence[place + 1] > coherence[place]:
        place += 1
    every = float(1 / freqs[place])
    starts, lengths, hits = _spells(moments, max(2.5 * step_s, PART * every))
    true_ones = hits >= 0.4 * np.quantile(hits, 0.9)
    phase = np.angle(turned[place]) / (2 * np.pi)
    cycles = np.unique(np.round((starts + lengths / 2)[true_ones] / every - phase))
    kept = float(min(1.0, cycles.size / max(1.0, span / every)))
    if kept < 0.6:
        return None
    return Period(
        every_s=every,
        coherence=float(coherence[place]),
        kept=kept,
        events=int(np.count_nonzero(true_ones)),
        # Strays near by lengthen a spell, and nothing shortens it.
        lasts_s=float(np.quantile(lengths[true_ones], 0.25)) + step_s,
    )


SPELL_S = 3.0
"""Bad packets nearer than this are one moment of a radio that looks at some channels and returns between."""
NEAR_PART, ABOUT = (0.3, 0.62), (0.72, 1.35)
"""Where a rhythm wanders by a third to either side, moments come this part of it apart, and none nearer."""
FEWER = 0.35
"""Moments half a pause apart against those a whole one apart, for the same length of time: 1 where nothing is
regular, more where they come in clumps, none in a rhythm; strays and missed moments leave some."""
LEAST_AT_ONCE = 3
TRIED_S = np.geomspace(6.0, 120.0, 28)
LEAST_MOMENTS = 12


def together(bad_s: Floats) -> Floats:
    """Those of some ordered moments that come three and more at once: a lone one may be any packet's own."""
    if not bad_s.size:
        return bad_s
    _, _, hits = _spells(bad_s, SPELL_S)
    return bad_s[np.repeat(hits >= LEAST_AT_ONCE, hits.astype(int))]


def pauses_of(bad_s: Floats, chance: float = CHANCE) -> Period | None:
    """The rhythm of moments that keep no beat, such as scans 8 to 15 s after each other; None without one.

    Their errors add up, so no period lines them up for long; but each is followed by a pause, and then soon
    by the next. Pairs of moments are counted by how far they are apart. coherence: 1 where none lie nearer.
    """
    begins, lasts, hits = _spells(np.sort(bad_s), SPELL_S)
    if begins.size < LEAST_MOMENTS:
        return None
    middle = begins + lasts / 2
    # Where most moments were met by several packets, a single one is a stray.
    real = hits >= 0.2 * np.quantile(hits, 0.75)
    middle, lasts = middle[real], lasts[real]
    apart = np.concatenate([middle[i:] - middle[: middle.size - i] for i in range(1, min(40, middle.size))])
    best: tuple[float, Period] | None = None
    for every in TRIED_S:
        near, about = (
            int(((apart >= part[0] * every) & (apart < part[1] * every)).sum()) for part in (NEAR_PART, ABOUT)
        )
        width = (NEAR_PART[1] - NEAR_PART[0]) / (ABOUT[1] - ABOUT[0])
        if NEAR_PART[0] * every < SPELL_S or about < LEAST_MOMENTS // 2 or near > FEWER * width * about:
            continue
        # Likelihood of so few by chance, against as seen; pairs that share their moments tell less each.
        share, seen = width / (1 + width), max(near, 0.25) / (max(near, 0.25) + about)
        gain = near * np.log(seen / share) + about * np.log((1 - seen) / (1 - share))
        above = 0.8 * min(1.0, middle.size / (near + about)) * gain - np.log(TRIED_S.size)
        if above < chance or (best is not None and above <= best[0]):
            continue
        fitting = apart[(apart >= ABOUT[0] * every) & (apart < ABOUT[1] * every)]
        found = Period(
            every_s=float(np.median(fitting)),
            coherence=1 - near / max(1.0, width * about),
            kept=float(min(1.0, about / max(1, middle.size - 1))),
            events=int(middle.size),
            lasts_s=float(np.median(lasts)) + 0.5,
            wanders=True,
        )
        best = (float(above), found)
    return None if best is None else best[1]


MERGED_S = 90.0
"""Episodes nearer than this are one spell: an episode may break where its hop was quiet for a moment."""
LEAST_ROUNDS, FITTING, NEAR = 5, 0.8, 0.12
"""Of five pauses or more, four in five within an eighth of the middle one, or of twice that where one was
missed. A thermostat's cycle wanders by some percent, its errors add up: no fixed beat is looked for (common
practice). Pauses by chance fit in one case of eighty with five of them, of five hundred with six (drawn)."""


def rounds_of(spans_s: list[tuple[float, float]]) -> Period | None:
    """The cycle of episodes that come again and again over hours; None where they have none.

    spans_s: begin and end of each, seconds, in the order of time. coherence is the share of pauses that fit.
    """
    spells: list[tuple[float, float]] = []
    for start, end in spans_s:
        if spells and start - spells[-1][1] < MERGED_S:
            spells[-1] = (spells[-1][0], max(end, spells[-1][1]))
        else:
            spells.append((start, end))
    starts = np.array([start for start, _ in spells])
    pauses = np.diff(starts)
    if pauses.size < LEAST_ROUNDS:
        return None
    every = float(np.median(pauses))
    times = np.clip(np.round(pauses / every), 1, 2)
    fits = np.abs(pauses / times - every) <= NEAR * every
    if fits.mean() < FITTING or (times == 1).mean() < FITTING:
        return None
    return Period(
        every_s=every,
        coherence=float(fits.mean()),
        kept=float(pauses.size / times.sum()),
        events=len(spells),
        lasts_s=float(np.median([end - start for start, end in spells])),
    )


MAINS_HZ = (50.0, 60.0, 100.0, 120.0)
"""Europe's and America's mains, and their half-waves. A microwave oven's tube works in one half-wave of each
cycle; dimmers and power supplies disturb both (common practice)."""
DECOYS_HZ = (0.0, 1.0, 37.0, 43.0, 67.0, 73.0, 83.0, 89.0, 107.0, 113.0)
"""Frequencies at which nothing is expected: what a slow change of the packets' own fakes at the mains, by the
beat with a packet a second, it fakes here too."""
BLOCK_S = 100.0
"""Mains wander by some 20 mHz in minutes; over this long the phase stays together."""
SLOW_S = 5.0
"""What lasts longer than this is no matter of the mains' phase, and is taken off."""
WANDER_HZ = np.arange(-0.06, 0.0601, 0.005)
LEAST_HITS = 12
MAINS_OVER, CHANCE_POWER, ABOVE_CHANCE = 1.4, 4.0, 7.0
"""So much stronger than with any decoy, and than the power that chance gives: without mains the most of
200 development homes were 1.2 and 4.8 on eight stretches, 7.4 on one."""
MOST_BLOCKS = 8
"""Quarter of an hour tells what an hour would."""


class Mains(Struct, frozen=True, kw_only=True):
    """hz: the frequency in step with which packets were hit. over: how much stronger than the strongest decoy
    (1: no stronger). strength: its power, where chance gives about 4. blocks: on how many stretches of
    BLOCK_S it rests."""

    hz: float
    over: float
    strength: float
    blocks: int

    @property
    def told(self) -> bool:
        """Whether that is no chance: a mean over more stretches needs to stand less above it."""
        return self.over >= MAINS_OVER and self.strength >= CHANCE_POWER + ABOVE_CHANCE / self.blocks**0.5


def mains_of(sent_s: Floats, bad: NDArray[np.bool_], session: NDArray[np.int16]) -> Mains | None:
    """Whether packets are hit in step with the mains; None where too few are hit to say.

    Each session's own share of hits is taken off first, since a session keeps its place in the second and
    would bring every whole frequency along; so is what comes and goes in seconds, which hides the mains.
    """
    bases = np.array(MAINS_HZ + DECOYS_HZ)
    power, blocks = np.zeros(bases.size), 0
    grid = (bases[:, None] + WANDER_HZ[None, :]).ravel()
    if not sent_s.size:
        return None
    for start in np.arange(float(sent_s[0]), float(sent_s[-1]), BLOCK_S):
        inside = (sent_s >= start) & (sent_s < start + BLOCK_S)
        moments, hit, whose = sent_s[inside], bad[inside].astype(float), session[inside]
        if not LEAST_HITS <= hit.sum() <= hit.size - LEAST_HITS:
            continue
        for alike in (whose, (moments / SLOW_S).astype(np.int64)):
            _, place, many = np.unique(alike, return_inverse=True, return_counts=True)
            hit -= (np.bincount(place, weights=hit) / many)[place]
        variance = float((hit**2).sum())
        if variance <= 1.0:
            continue
        turned = np.exp(2j * np.pi * np.outer(grid, moments)) @ hit
        strength = np.abs(turned) ** 2 / variance
        power += strength.reshape(bases.size, -1).max(axis=1)
        blocks += 1
        if blocks >= MOST_BLOCKS:
            break
    if not blocks:
        return None
    mean = power / blocks
    best = int(np.argmax(mean[: len(MAINS_HZ)]))
    over = float(mean[best] / max(mean[len(MAINS_HZ) :].max(), 1e-9))
    return Mains(hz=MAINS_HZ[best], over=over, strength=float(mean[best]), blocks=blocks)
