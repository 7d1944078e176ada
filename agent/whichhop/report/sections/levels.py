"""The modem's levels: what stands out, how they went beside the loss on the line, and every channel."""

from collections.abc import Sequence
from zoneinfo import ZoneInfo

from whichhop.model.dossier import ChannelRow, Dossier, LevelNote, LevelTime
from whichhop.report import words
from whichhop.report.blocks import Block, Grid, Para, Section
from whichhop.report.words import percent

NONE = "–"
NOT_READ = (
    "The modem's own levels were not read, so this report does not tell the line outside from the cabling in"
    " the house before the line."
)


def _db(value: float | None, signed: bool = True) -> str:
    if value is None:
        return NONE
    return f"{value:+.1f}" if signed else f"{value:.1f}"


def _range(low: float | None, high: float | None, signed: bool = True) -> str:
    if low is None or high is None:
        return NONE
    ends = (_db(low, signed), _db(high, signed))
    return ends[0] if ends[0] == ends[1] else " to ".join(ends)


def _count(value: int | None) -> str:
    return NONE if value is None else f"{value:,}"


def _time(row: LevelTime, zone: ZoneInfo, loss: bool) -> tuple[str, ...]:
    cells = (
        words.clock_span(row.start_ns, row.end_ns, zone),
        _range(row.down_low_dbmv, row.down_high_dbmv),
        _db(row.snr_low_db, signed=False),
        _db(row.up_high_dbmv),
        _count(row.uncorrectable),
        percent(row.uncorrectable / row.codewords)
        if row.codewords and row.uncorrectable is not None
        else NONE,
        _count(row.timeouts),
    )
    return (
        (*cells, f"{percent(row.lost / row.sent)} of {row.sent:,}" if row.sent else NONE) if loss else cells
    )


def _channel(row: ChannelRow) -> tuple[str, ...]:
    return (
        row.name,
        NONE if row.frequency_hz is None else f"{row.frequency_hz / 1e6:.1f}",
        row.modulation,
        _db(row.power_dbmv),
        _range(row.low_dbmv, row.high_dbmv),
        _db(row.snr_db, signed=False),
        _db(row.snr_low_db, signed=False),
        _count(row.corrected),
        _count(row.uncorrectable),
        _count(row.timeouts),
        row.standing,
    )


def _alike(row: ChannelRow) -> tuple[str, ...] | None:
    """What channels without a complaint are grouped by; None for one that is shown by itself."""
    if row.standing != "fine" or row.uncorrectable or row.timeouts:
        return None
    return row.name.rpartition("-")[0], row.modulation


def _ends(values: Sequence[float | None]) -> tuple[float | None, float | None]:
    known = [v for v in values if v is not None]
    return (min(known), max(known)) if known else (None, None)


def _group(rows: Sequence[ChannelRow]) -> tuple[str, ...]:
    """Channels that nothing is wrong with in one row, each value from its least to its most."""
    first = rows[0]
    if len(rows) == 1:
        return _channel(first)
    low_hz, high_hz = _ends([r.frequency_hz for r in rows])
    snr, least = (_ends([getattr(r, name) for r in rows]) for name in ("snr_db", "snr_low_db"))
    corrected = [r.corrected for r in rows if r.corrected is not None]
    return (
        f"{first.name} to {rows[-1].name.rpartition('-')[2]} ({len(rows)})",
        NONE if low_hz is None or high_hz is None else f"{low_hz / 1e6:.1f} to {high_hz / 1e6:.1f}",
        first.modulation,
        _range(*_ends([r.power_dbmv for r in rows])),
        _range(_ends([r.low_dbmv for r in rows])[0], _ends([r.high_dbmv for r in rows])[1]),
        _range(*snr, signed=False),
        _db(least[0], signed=False),
        _count(sum(corrected) if corrected else None),
        _count(0 if all(r.uncorrectable == 0 for r in rows) else None),
        _count(0 if all(r.timeouts == 0 for r in rows) else None),
        "fine",
    )


def _channel_rows(rows: Sequence[ChannelRow]) -> list[tuple[str, ...]]:
    """Channels with a complaint one by one and first, the worst before; the others by direction and kind."""
    order = {"outside": 0, "implausible": 1, "marginal": 2}
    alone = sorted((r for r in rows if _alike(r) is None), key=lambda r: order.get(r.standing, 3))
    groups: dict[tuple[str, ...], list[ChannelRow]] = {}
    for row in rows:
        if (key := _alike(row)) is not None:
            groups.setdefault(key, []).append(row)
    return [*(_channel(r) for r in alone), *(_group(g) for g in groups.values())]


def _told_once(notes: Sequence[LevelNote]) -> list[LevelNote]:
    """Of a reading that breaks a limit and a rule of practice, the limit; words: "READING, not RANGE ..."."""
    outside = {n.words.partition(", not ")[0] for n in notes if n.standing == "outside"}
    return [n for n in notes if n.standing == "outside" or n.words.partition(", not ")[0] not in outside]


def levels(dossier: Dossier) -> Section:
    """Everything read of the modem."""
    blocks: list[Block] = []
    zone = ZoneInfo(dossier.zone)
    if not dossier.levels:
        return Section(name="levels", title="The modem's levels", blocks=[Para(NOT_READ)])
    blocks.append(
        Grid(
            caption="What stands out in the newest reading, against published ranges",
            head=("Stands", "What was read"),
            rows=tuple((note.standing, note.words) for note in _told_once(dossier.levels)),
        )
    )
    loss = any(t.sent for t in dossier.level_times)
    if dossier.level_times:
        head = (
            "Time",
            "Down, dBmV",
            "Least SNR, dB",
            "Up, dBmV",
            "Uncorrectable",
            "Of codewords",
            "Time-outs T3+T4",
        )
        worst = max((t.uncorrectable or 0 for t in dossier.level_times), default=0)
        blocks.append(
            Grid(
                caption="Levels over time"
                + (", beside the loss of test packets on the access line" if loss else "")
                + f"; times in {dossier.zone}; marked: where most codewords were uncorrectable",
                head=(*head, "Packets lost") if loss else head,
                rows=tuple(_time(t, zone, loss) for t in dossier.level_times),
                numbers=frozenset(range(1, 8)),
                marked=frozenset(
                    i for i, t in enumerate(dossier.level_times) if worst and t.uncorrectable == worst
                ),
            )
        )
    if dossier.channels:
        rows = _channel_rows(dossier.channels)
        blocks.append(
            Grid(
                caption="Every channel: newest reading, range and counts over the span; those"
                " without a complaint"
                " are taken together; marked: outside its limits",
                head=(
                    "Channel",
                    "MHz",
                    "Modulation",
                    "Power, dBmV",
                    "Its range",
                    "SNR, dB",
                    "Least SNR",
                    "Corrected",
                    "Uncorrectable",
                    "T3+T4",
                    "Stands",
                ),
                rows=tuple(rows),
                numbers=frozenset({1, 3, 4, 5, 6, 7, 8, 9}),
                marked=frozenset(i for i, r in enumerate(rows) if r[-1] == "outside"),
            )
        )
    return Section(name="levels", title="The modem's levels", blocks=blocks)
