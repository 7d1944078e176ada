"""The frozen bundle an evidence report is made from, and made again from without the store."""

from enum import StrEnum

from msgspec import Struct

from whichhop.model.chain_signature import ChainSignature
from whichhop.model.home import Home
from whichhop.model.inner_cause import Felt, InnerAnswer, Reason
from whichhop.model.links import Cause, Owner
from whichhop.model.note import CallNote

FORM = 1
"""The dossier's form; a reader refuses one it does not know."""


class Figure(Struct, frozen=True, kw_only=True):
    """One number of the claim, with what it was taken over, so that anybody can take it again.

    name: stable, for files and checks. words: what it is, for the reader. value, low, high: in `unit`
    ("ratio", "s", "count"); low and high are the 95 % interval's ends. None where it cannot be known.
    count: how many packets, ticks or readings stand behind it. how: the rule it was worked out by.
    """

    name: str
    words: str
    unit: str
    value: float | None
    low: float | None = None
    high: float | None = None
    count: int = 0
    how: str = ""


class Happened(Struct, frozen=True, kw_only=True):
    """One episode of the span, whoever's it was. `end_ns` is None when it lasted past the span's end.

    No intervals: a figure has one, and it stands with the claim's figures.
    """

    cause: Cause
    elements: tuple[str, ...]
    where: str
    start_ns: int
    end_ns: int | None
    probability: float
    proven: bool
    claimed: bool
    added_p50_s: float | None
    loss_ratio: float | None
    why: Reason | None = None
    """The cause inside the hop; None where it cannot be named or was not looked for."""


class Cleared(Struct, frozen=True, kw_only=True):
    """A cause that is ruled out for the claim's own moments: what, why, and which sessions say so."""

    what: str
    why: str
    sessions: tuple[str, ...]


class Claim(Struct, frozen=True, kw_only=True):
    """What the report says, or why it says nothing.

    made: True only when the provider is held to it, every guard being met. missing: what to collect first.
    low_probability: the least sure of the claim's episodes.
    """

    made: bool
    cause: Cause
    owner: Owner
    elements: tuple[str, ...]
    where: str
    sentence: str
    probability: float
    missing: tuple[str, ...]
    would_change: tuple[str, ...]
    figures: tuple[Figure, ...]
    cleared: tuple[Cleared, ...]
    inside: InnerAnswer | None = None
    """Why the hop was slow, by the cause that holds for most of the episodes' time; None where it was not
    looked for."""
    steps: tuple[str, ...] = ()
    """What to do about that cause in the home, the cheapest and surest first, cautions with each."""
    not_left_out: tuple[str, ...] = ()
    """Elements of other faults whose share is in the figures, since nothing else was heard meanwhile."""
    shares: tuple[tuple[str, float], ...] = ()
    """Of what cannot be told apart, each in words and its own part of `probability`, the likeliest first."""


class SessionRow(Struct, frozen=True, kw_only=True):
    """One session over the span: what was sent, what came back, in the claim's episodes and outside all.

    digest: SHA-256 over the session's samples in the span, see `compare.windows.tally.digest_of`, and
        `tally_of_days` for more than two days.
    stamps: which of T1..T4 the kernel took. clock_error_ns: the largest stated; None when not known.
    median_s, quiet_s: median round trip in the claim's episodes and outside all episodes.
    """

    session: str
    path: tuple[str, ...]
    crosses: bool
    method: str
    samples: int
    aside: int
    duplicates: int
    reordered: int
    sent: int
    lost: int
    median_s: float | None
    quiet_sent: int
    quiet_lost: int
    quiet_s: float | None
    stamps: tuple[str, ...]
    clock_error_ns: int | None
    digest: str


class ChartLine(Struct, frozen=True, kw_only=True):
    """One session on a chart: per step the middle and the highest ten-second median, and the loss ratio."""

    session: str
    label: str
    crosses: bool
    middle_s: tuple[float | None, ...]
    peak_s: tuple[float | None, ...]
    loss: tuple[float | None, ...]


class Chart(Struct, frozen=True, kw_only=True):
    """Series on one time axis: round trips, loss and own use of the plan; `shaded` are the episodes."""

    title: str
    start_ns: int
    step_ns: int
    lines: tuple[ChartLine, ...]
    use: tuple[float | None, ...]
    shaded: tuple[tuple[int, int, bool], ...]
    """Start, end, and whether the claim is about it."""


class Reach(Struct, frozen=True, kw_only=True):
    """How far "no fault found" reaches: what was not measured, and what was slow though nothing changed.

    unmeasured: links of which neither good nor bad is known; nothing: that is all of them. not_measured:
    that and its remedy, targets that never answered, in sentences. unusual: a sentence for each level above
    what is usual for its kind.
    """

    unmeasured: tuple[str, ...] = ()
    nothing: bool = False
    not_measured: tuple[str, ...] = ()
    unusual: tuple[str, ...] = ()


class Wiring(StrEnum):
    """What is known of the cabling in the house before the line, which no packet crosses alone."""

    UNREAD = "unread"
    """No level of the modem was read, or none that can be believed."""
    GOOD = "good"
    """Every level read is within its limits: nothing speaks against that cabling, nothing excludes it."""
    MARGINAL = "marginal"
    """Not what technicians aim for, and nothing ties it to the fault."""
    BAD = "bad"
    """Levels are bad, and cabling in the house is not told from the provider's drop."""
    ENTERS_BAD = "enters-bad"
    """The level is bad where it enters the house, and the cabling inside loses no more than it should."""
    AT_FAULT = "at-fault"
    """The cabling in the house explains the levels."""


class LevelTime(Struct, frozen=True, kw_only=True):
    """A modem's worst levels from one reading to the next, or over several, beside the loss on the line then.

    Levels in dBmV and dB; down_low_dbmv, down_high_dbmv: lowest and highest received. uncorrectable,
    codewords: counted since the reading before, None where the counters do not tell. sent, lost: test packets
    over the line in the same time. timeouts: ranging time-outs (T3 and T4) counted in the time.
    """

    start_ns: int
    end_ns: int
    readings: int
    down_low_dbmv: float | None
    down_high_dbmv: float | None
    snr_low_db: float | None
    up_high_dbmv: float | None
    uncorrectable: int | None
    codewords: int | None
    timeouts: int | None
    sent: int
    lost: int


class ChannelRow(Struct, frozen=True, kw_only=True):
    """One channel over the span: its last level and the lowest and highest, its least SNR, what it counted.

    standing: the worst that a rule says of the last reading.
    """

    name: str
    frequency_hz: int | None
    modulation: str
    power_dbmv: float | None
    low_dbmv: float | None
    high_dbmv: float | None
    snr_db: float | None
    snr_low_db: float | None
    corrected: int | None
    uncorrectable: int | None
    timeouts: int | None
    standing: str


class RouteStep(Struct, frozen=True, kw_only=True):
    """One step of the newest route trace: who answered at it, how fast, and whose address that is.

    addresses: empty where it was silent. name: the node of the home file with that address, "" for none.
    """

    step: int
    addresses: tuple[str, ...]
    best_rtt_s: float | None
    name: str


class RouteTrace(Struct, frozen=True, kw_only=True):
    """The newest route trace by the span's end; first_hop: the first address outside the home."""

    at_ns: int
    agent: str
    target: str
    steps: tuple[RouteStep, ...]
    first_hop: str | None
    first_hop_step: int | None


class LevelNote(Struct, frozen=True, kw_only=True):
    """One sentence about the modem's levels, and how it stands: fine, outside, unknown ..."""

    standing: str
    words: str


class PlanRow(Struct, frozen=True, kw_only=True):
    """What the tests of the span say of the plan in one direction; see capacity/plan.py.

    way: "down" or "up". tests: those that count, on `days` days; reached: how many had nine tenths of the
    plan. left_out: under the plan, and limited by something else. low, high: of the share of the time that
    the plan is there, 95 %. missed: surely under half of the time. words: all of it in one sentence.
    """

    way: str
    plan_bps: int
    tests: int
    reached: int
    days: int
    left_out: int
    median_bps: float | None
    low: float
    high: float
    missed: bool
    words: str


class ChainHead(Struct, frozen=True, kw_only=True):
    """Where an agent's chain of records stood; see store/chain.py. signed: by the agent itself, if it has."""

    agent: str
    origin: str
    last_seq: int
    head: str
    signed: ChainSignature | None = None


class Dossier(Struct, frozen=True, kw_only=True):
    """All of it. Times are UTC nanoseconds; `zone` is the home's, an IANA name."""

    form: int = FORM
    software: str
    made_ns: int
    zone: str
    redacted: bool
    cable_run: bool
    """True when the home file's cable run had a say; a check then needs the home file."""
    home: Home
    start_ns: int
    end_ns: int
    claim: Claim | None
    """None when nothing exceeded its quiet baseline."""
    episodes: tuple[Happened, ...]
    sessions: tuple[SessionRow, ...]
    charts: tuple[Chart, ...]
    plan: tuple[PlanRow, ...]
    """A row a direction that was tested, where the home file names a plan."""
    levels: tuple[LevelNote, ...]
    levels_alone: bool = False
    """True for a report about the modem's levels alone; it then has neither sessions nor a claim."""
    wiring: Wiring = Wiring.UNREAD
    level_times: tuple[LevelTime, ...] = ()
    channels: tuple[ChannelRow, ...] = ()
    route: RouteTrace | None = None
    calls: tuple[CallNote, ...] = ()
    """What the customer wrote down of calls to the provider, oldest first: said, not measured."""
    reach: Reach = Reach()
    felt: tuple[Felt, ...] = ()
    """What users feel though no hop is slow, the surest first."""
    chains: tuple[ChainHead, ...]
    public_key: str | None
    """The home's signing key, Ed25519, as hexadecimal text; None when the report is not signed."""
