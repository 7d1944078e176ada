"""What the daemon and the process that sends a notice tell each other: plain records that travel as JSON."""

import msgspec

from whichhop.model.notices import Notices, Way

MOST_S = 45.0
"""For one try, its process' start included; the child's own times are shorter."""


class SendRequest(msgspec.Struct, frozen=True, kw_only=True):
    """One notice by one way."""

    way: Way
    settings: Notices
    document: msgspec.Raw


class Sent(msgspec.Struct, frozen=True, kw_only=True):
    """What came of it: ok, and in a few words what the other side said, or what to do."""

    ok: bool
    words: str
