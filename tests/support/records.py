"""Records for tests: any record a codec must carry, and lifelike minutes of a session."""

import random

from hypothesis import strategies as st

from whichhop.model import Columns, Fate, Method, Record, Sample, SessionKey
from whichhop.printable import printable

NS = 1_000_000_000
LIMIT = 2**63 - 1
SENT = st.integers(0, LIMIT) | st.integers(1_700_000_000 * NS, 1_700_000_060 * NS)
SPAN = st.none() | st.integers(0, LIMIT) | st.integers(0, 3 * NS)
DELAY = st.none() | st.integers(-LIMIT, LIMIT) | st.integers(0, 3 * NS)
# Names are compared and shown, so what acts on a terminal is none (whichhop.printable).
NAMES = st.text(st.characters(exclude_categories=("Cs", "Cc", "Zl", "Zp")), min_size=1, max_size=12).filter(
    lambda name: printable(name) == name
)


@st.composite
def any_sample(draw: st.DrawFn) -> Sample:
    return Sample(
        sent_ns=draw(SENT),
        fate=draw(st.sampled_from(Fate)),
        rtt_ns=draw(SPAN),
        out_ns=draw(DELAY),
        queue_ns=draw(SPAN),
    )


@st.composite
def any_record(draw: st.DrawFn, session: SessionKey | None = None) -> Record:
    return Record(
        session=session
        or SessionKey(agent=draw(NAMES), target=draw(NAMES), method=draw(st.sampled_from(Method))),
        minute=draw(st.integers(0, 2**40)),
        samples=Columns.of(draw(st.lists(any_sample(), max_size=70))),
        duplicates=draw(st.integers(0, 10**6)),
        reordered=draw(st.integers(0, 10**6)),
        stamps=draw(st.sampled_from(["", "T1 T4", "T1 T2 T3 T4"])),
        clock_error_ns=draw(st.none() | st.integers(0, 10**12)),
    )


def lifelike(
    rng: random.Random,
    minute: int,
    session: SessionKey,
    *,
    base_ns: int = 3_000_000,
    spread_ns: int = 300_000,
    loss: float = 0.005,
    count: int = 60,
) -> Record:
    """A minute of a steady session: exponential tails each way, pacing noise, a little loss."""
    columns = Columns()
    stamped = session.method is not Method.ECHO
    for step in range(count):
        sent = minute * 60 * NS + 217_311_009 + step * 60 * NS // count + int(abs(rng.gauss(0, 40_000)))
        out, back = (int(base_ns / 2 + rng.expovariate(1 / spread_ns)) for _ in range(2))
        gone = rng.random() < loss
        fate = (Fate.LOST_OUT if stamped else Fate.LOST) if gone else Fate.ANSWERED
        columns.append(
            Sample(
                sent_ns=sent,
                fate=fate,
                rtt_ns=None if gone else out + back,
                out_ns=out + 812_345 if stamped and not gone else None,
                queue_ns=int(rng.expovariate(1 / 3_000)) if stamped and not gone else None,
            )
        )
    return Record(
        session=session, minute=minute, samples=columns, stamps="T1 T2 T3 T4" if stamped else "T1 T4"
    )
