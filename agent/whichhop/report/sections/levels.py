"""The modem's levels: what stands out, how they went beside the loss on the line, and every channel."""

from zoneinfo import ZoneInfo

from whichhop.model.dossier import ChannelRow, Dossier, LevelTime
from whichhop.report import times
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


def _range(low: float | None, high: float | None) -> str:
    if low is None or high is None:
        return NONE
    return _db(low) if _db(low) == _db(high) else f"{_db(low)} to {_db(high)}"


def _count(value: int | None) -> str:
    return NONE if value is None else f"{value:,}"


def _time(row: LevelTime, zone: ZoneInfo, loss: bool) -> tuple[str, ...]:
    cells = (
        times.span(row.start_ns, row.end_ns, zone),
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
            rows=tuple((note.standing, note.words) for note in dossier.levels),
        )
    )
    loss = any(t.sent for t in dossier.level_times)
    if dossier.level_times:
        head = (
            "Time",
            "Down, dBmV",
            "Least SNR, dB",
            "Up, most dBmV",
            "Uncorrectable",
            "Of all codewords",
            "Time-outs T3+T4",
        )
        worst = max((t.uncorrectable or 0 for t in dossier.level_times), default=0)
        blocks.append(
            Grid(
                caption="Levels over time"
                + (", beside the loss of test packets on the access line" if loss else "")
                + "; marked: where most codewords were uncorrectable",
                head=(*head, "Packets lost on the line") if loss else head,
                rows=tuple(_time(t, zone, loss) for t in dossier.level_times),
                numbers=frozenset(range(1, 8)),
                marked=frozenset(
                    i for i, t in enumerate(dossier.level_times) if worst and t.uncorrectable == worst
                ),
            )
        )
    if dossier.channels:
        rows = dossier.channels
        blocks.append(
            Grid(
                caption="Every channel: the newest reading, its range over the span, and what was counted in"
                " the span; marked: outside its limits",
                head=(
                    "Channel",
                    "MHz",
                    "Modulation",
                    "dBmV",
                    "In the span",
                    "SNR dB",
                    "Least",
                    "Corrected",
                    "Uncorrectable",
                    "T3+T4",
                    "Stands",
                ),
                rows=tuple(_channel(r) for r in rows),
                numbers=frozenset({1, 3, 4, 5, 6, 7, 8, 9}),
                marked=frozenset(i for i, r in enumerate(rows) if r.standing == "outside"),
            )
        )
    return Section(name="levels", title="The modem's levels", blocks=blocks)
