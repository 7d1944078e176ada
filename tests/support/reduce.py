"""What a reading process makes of a session; in a module that a spawned process can import."""

from whichhop.store.columns import SessionColumns


def total_rtt(columns: SessionColumns) -> tuple[str, int, int]:
    assert columns.rtt_ns is not None
    answered = columns.rtt_ns[columns.fate == 0]
    return columns.session.target, len(columns.sent_ns), int(answered.sum())
