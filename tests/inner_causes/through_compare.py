"""Drawn homes with a cause inside a hop, through `compare`; `python -m inner_causes --homes` prints them.

They go the public way, records and readings into `compare`, and what its verdicts say of the hop's
inside is held against the truth: right, wrong, abstained, and whether the hop itself was found.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from inner_causes import causes_of_homes as act
from inner_causes.whole_home import Cause, Run, draw
from whichhop.app.stored.inner_causes import comparison_with_causes
from whichhop.compare.comparison import Comparison, compare_records
from whichhop.inside.felt import felt_of
from whichhop.model import Medium, Record, SessionKey, Verdict
from whichhop.model.inner_cause import FeltCause
from whichhop.model.inner_cause import InnerCause as Inner
from whichhop.model.units import NS_PER_MINUTE


class Row(Struct, frozen=True, kw_only=True):
    """causes: what is right to name. counters: which homes have; some: needed before anything is known."""

    words: str
    causes: tuple[Inner, ...]
    place: str
    medium: Medium
    acts: tuple[Cause, ...]
    hours: float
    counters: tuple[str, ...] = ("none", "none", "none", "some", "all")
    lasts_s: float | None = None


R, P, C, E = Medium.RADIO, Medium.POWER_LINE, Medium.COAX, Medium.ETHERNET
ROWS: tuple[Row, ...] = (
    Row(words="wi-fi weak signal", causes=(Inner.WEAK_SIGNAL,), place="end", medium=R,
        acts=(act.far_away,), hours=0.8),
    Row(words="backhaul weak signal", causes=(Inner.WEAK_SIGNAL,), place="backhaul", medium=R,
        acts=(act.far_away,), hours=0.8),
    Row(words="wi-fi busy channel", causes=(Inner.BUSY_CHANNEL,), place="end", medium=R,
        acts=(act.neighbours_stream,), hours=0.8),
    Row(words="backhaul busy channel", causes=(Inner.BUSY_CHANNEL,), place="backhaul", medium=R,
        acts=(act.neighbours_stream,), hours=0.8),
    Row(words="wi-fi oven", causes=(Inner.MAINS_INTERFERENCE,), place="end", medium=R,
        acts=(act.warm_meal,), hours=0.7, lasts_s=500.0),
    Row(words="wi-fi scanning", causes=(Inner.SCANNING,), place="end", medium=R,
        acts=(act.looks_around,), hours=2.0),
    Row(words="wi-fi scan trains", causes=(Inner.SCANNING,), place="end", medium=R,
        acts=(act.looks_around_restlessly,), hours=1.2),
    Row(words="backhaul scanning", causes=(Inner.SCANNING,), place="backhaul", medium=R,
        acts=(act.looks_around,), hours=2.0),
    Row(words="wi-fi camera", causes=(Inner.PERIODIC_INTERFERENCE,), place="end", medium=R,
        acts=(act.camera_upload,), hours=2.0),
    Row(words="wi-fi compressor", causes=(Inner.PERIODIC_INTERFERENCE,), place="end", medium=R,
        acts=(act.compressor,), hours=9.0),
    Row(words="wi-fi power save", causes=(Inner.POWER_SAVE,), place="end", medium=R,
        acts=(act.sleeps,), hours=0.7),
    Row(words="wi-fi flapping", causes=(Inner.FLAPPING,), place="end", medium=R,
        acts=(act.parts_again,), hours=1.2),
    Row(words="power line dimmer", causes=(Inner.MAINS_NOISE,), place="backhaul", medium=P,
        acts=(act.lamp_with_dimmer,), hours=0.7),
    Row(words="power line compressor", causes=(Inner.APPLIANCE_CYCLE,), place="backhaul", medium=P,
        acts=(act.compressor,), hours=9.0),
    Row(words="power line dropouts", causes=(Inner.DROPOUTS,), place="backhaul", medium=P,
        acts=(act.parts_again,), hours=1.2),
    Row(words="coax dropouts", causes=(Inner.DROPOUTS,), place="backhaul", medium=C,
        acts=(act.parts_again,), hours=1.2),
    Row(words="ethernet bad plug", causes=(Inner.FRAME_ERRORS,), place="wired", medium=E,
        acts=(act.bad_plug,), hours=0.8),
    Row(words="ethernet broken pair", causes=(Inner.SLOW_PORT,), place="wired", medium=E,
        acts=(act.broken_pair,), hours=0.8, counters=("some", "all")),
    Row(words="ethernet half duplex", causes=(Inner.HALF_DUPLEX,), place="wired", medium=E,
        acts=(act.old_switch,), hours=0.8, counters=("all",)),
    Row(words="ethernet flapping", causes=(Inner.FLAPPING,), place="wired", medium=E,
        acts=(act.parts_again,), hours=1.2),
    Row(words="cable line evening", causes=(Inner.EVENING_CONGESTION,), place="line", medium=Medium.CABLE,
        acts=(act.busy_street,), hours=4.0),
    Row(words="dsl line evening", causes=(Inner.EVENING_CONGESTION,), place="line", medium=Medium.DSL,
        acts=(act.busy_street,), hours=4.0),
    Row(words="dsl retrains", causes=(Inner.RETRAINS,), place="line", medium=Medium.DSL,
        acts=(act.loses_its_line,), hours=1.2),
    Row(words="line dead", causes=(Inner.LINE_OUTAGE,), place="line", medium=Medium.FIBRE,
        acts=(act.line_is_dead,), hours=1.2),
    Row(words="backup fills line", causes=(Inner.UPLOAD_FILLS,), place="line", medium=Medium.CABLE,
        acts=(act.sends_backup,), hours=0.8),
    Row(words="game fills line", causes=(Inner.DOWNLOAD_FILLS,), place="line", medium=Medium.DSL,
        acts=(act.fetches_game,), hours=0.8),
)  # fmt: skip
NONE: tuple[Row, ...] = tuple(
    Row(words=f"{medium} {one.__name__}", causes=(), place=place, medium=medium, acts=(one,), hours=0.8)
    for place, medium in (("end", R), ("backhaul", P), ("wired", E), ("line", Medium.CABLE))
    for one in (act.unknown_wait, act.unknown_stutter)
)
TWINS: tuple[Row, ...] = (
  *(Row(
        words=f"{medium} {place} healthy",
        causes=(),
        place=place,
        medium=medium,
        acts=(act.nothing,),
        hours=0.8,
    )
    for place, medium in (
        ("end", R),
        ("backhaul", P),
        ("wired", E),
        ("line", Medium.CABLE),
        ("line", Medium.DSL),
    )),
    Row(words="radio that looks for two minutes", causes=(), place="end", medium=R,
        acts=(act.looks_once,), hours=0.8),
)  # fmt: skip
"""Nothing is wrong: any name is false, a verdict too."""
BOTH: tuple[Row, ...] = (
    Row(words="weak + scanning", causes=(Inner.WEAK_SIGNAL, Inner.SCANNING), place="end", medium=R,
        acts=(act.far_away, act.looks_around), hours=1.5),
    Row(words="busy + power save", causes=(Inner.BUSY_CHANNEL, Inner.POWER_SAVE), place="end", medium=R,
        acts=(act.neighbours_stream, act.sleeps), hours=0.8),
    Row(words="camera + flapping", causes=(Inner.PERIODIC_INTERFERENCE, Inner.FLAPPING), place="end",
        medium=R, acts=(act.camera_upload, act.parts_again), hours=1.5),
    Row(words="dimmer + dropouts", causes=(Inner.MAINS_NOISE, Inner.DROPOUTS), place="backhaul", medium=P,
        acts=(act.lamp_with_dimmer, act.parts_again), hours=1.2),
)  # fmt: skip


class _Kept(Struct, frozen=True):
    """Records by session, as a store would give them."""

    records: dict[SessionKey, list[Record]]

    def __call__(self, keys: Sequence[SessionKey], start_ns: int, end_ns: int) -> Iterable[Record]:
        first, end = start_ns // NS_PER_MINUTE, (end_ns - 1) // NS_PER_MINUTE + 1
        return [r for k in keys for r in self.records.get(k, ()) if first <= r.minute < end]


def compared(run: Run, *, quick: bool = False) -> Comparison | None:
    """What `compare` says of a run. quick: without what was there from the first packet on."""
    found = compare_records(
        run.home,
        run.records,
        run.readings,
        start_ns=run.start_ns,
        end_ns=run.end_ns,
        changes_alone=quick,
    )
    if found is None:
        return None
    kept: dict[SessionKey, list[Record]] = {}
    for record in run.records:
        kept.setdefault(record.session, []).append(record)
    records = _Kept(kept)
    return replace(
        comparison_with_causes(found, records, run.readings),
        felt=felt_of(run.home, run.readings, found.judged.table, records),
    )


def run_of(row: Row, seed: int) -> Run:
    """A row's run of a seed; a third of them is there from the first packet, where the shape allows it."""
    rng = np.random.default_rng((seed, *row.words.encode()))
    steady = row.hours < 1.0 and row.place != "line" and row.lasts_s is None
    return draw(
        rng, row.place, row.medium, row.acts, hours=row.hours, lasts_s=row.lasts_s,
        from_first=steady and bool(rng.random() < 0.25), counters=str(rng.choice(row.counters)),
    )  # fmt: skip


OWN = (Inner.UPLOAD_FILLS, Inner.DOWNLOAD_FILLS)


def about(row: Row, run: Run, found: Comparison | None) -> list[Verdict]:
    """The verdicts that name the hop and no other, or the home's own traffic where that is the truth."""
    if found is None:
        return []
    if set(row.causes) & set(OWN):
        return [v for v in found.verdicts if v.elements == ("own-traffic",)]
    alone = {k.name for k in run.home.links} - {run.link.name}
    return [v for v in found.verdicts if run.link.name in v.elements and not alone & set(v.elements)]


class Count(Struct):
    """What came of a row's runs; told: each name with its probability and whether it is right."""

    result: Counter[str]
    instead: Counter[str]
    told: list[tuple[float, bool]]
    also: int = 0


def score(row: Row, seeds: Iterable[int], show: bool, *, quick: bool = False) -> Count:
    """Each run is right where some verdict names the cause and none another."""
    out = Count(Counter(), Counter(), [])
    for seed in seeds:
        run = run_of(row, seed)
        found = compared(run, quick=quick)
        verdicts = about(row, run, found)
        named = [r for v in verdicts if v.inside and (r := v.inside.named)]
        wrong = [str(r.cause) for r in named if r.cause not in row.causes]
        # A radio that leaves its channel in a rhythm is told as felt, also where no verdict names its hop.
        felt = [f for f in found.felt if f.cause is FeltCause.SCANS] if found else []
        ends = (run.link.near, run.link.far)
        right = [f for f in felt if Inner.SCANNING in row.causes and all(end in f.where for end in ends)]
        wrong += [f"{f.cause} felt" for f in felt if f not in right]
        if not verdicts and not right and not felt:
            what = "hop not named"
        elif wrong:
            what = "wrong"
        elif named or right:
            what = "right"
        else:
            what = "abstained"
        out.result[what] += 1
        out.instead.update(wrong)
        out.told += [(r.probability, r.cause in row.causes) for r in named]
        if show and what != "right":
            print(f"{row.words} {seed}: {what}, hop {run.link.name}, agents {len(run.home.agents)}")
            for f in found.felt if found else ():
                print("    felt", f.line, f.evidence)
            for v in found.verdicts if found else ():
                line = v.inside.line if v.inside else ""
                lasts = ((v.end_ns or run.end_ns) - v.start_ns) / 1e9
                print(f"    {v.cause} {v.elements} {v.probability:.2f} {lasts:.0f}s: {line}")
                if v.inside:
                    print(
                        "       ", [(str(r.cause), r.probability, r.evidence) for r in v.inside.reasons[:3]]
                    )
    return out


def ece(told: Sequence[tuple[float, bool]]) -> float:
    """Expected calibration error in ten bins of what was named."""
    bins: dict[int, list[tuple[float, bool]]] = {}
    for p, right in told:
        bins.setdefault(min(9, int(p * 10)), []).append((p, right))
    return sum(abs(sum(p - right for p, right in b)) for b in bins.values()) / max(1, len(told))


def table(first: int, many: int, only: str, show: bool, *, quick: bool = False) -> Iterator[str]:
    """The confusion table, line by line as it comes."""
    total: Counter[str] = Counter()
    told: list[tuple[float, bool]] = []
    yield f"{'home and cause':24} {'right':>6}{'wrong':>6}{'abst.':>6}{'no hop':>7}  named instead"
    for rows, words in ((ROWS, ""), (BOTH, "two causes: "), (NONE, "no such cause: "), (TWINS, "twin: ")):
        for row in rows:
            if only not in row.words:
                continue
            count = score(row, range(first, first + many), show, quick=quick)
            told += count.told
            if rows is ROWS:
                total += count.result
            c = count.result
            instead = ", ".join(f"{k} {v}" for k, v in count.instead.most_common(3))
            yield (
                f"{words + row.words:36} {c['right']:6}{c['wrong']:6}{c['abstained']:6}{c['hop not named']:7}"
                f"  {instead}"
            )
    named, seen = total["right"] + total["wrong"], total.total() - total["hop not named"]
    yield (
        f"right among the named: {total['right'] / max(1, named):.1%} of {named}; abstained:"
        f" {total['abstained'] / max(1, seen):.1%} of {seen} whose hop was named; calibration error of what"
        f" was named: {ece(told):.3f} over {len(told)} verdicts"
    )
