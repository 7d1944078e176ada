"""Notes of what people did: changes in the home, looks at their effect, and calls to the provider."""

from msgspec import Struct

from whichhop.model.channel import Direction


class ExpectedGain(Struct, frozen=True, kw_only=True):
    """What a change to the cabling was worked out to gain before anybody measured.

    gain_db: downstream, level won at the modem; upstream, level that the modem need no longer send.
    """

    direction: Direction
    frequency_hz: float
    gain_db: float


class Note(Struct, frozen=True, kw_only=True):
    """A note of what somebody changed and when, such as "took out the splitter in the attic".

    change: the same in the words of `whichhop cabling --what-if`, "" where it is no change to the coax.
    expected: its gains by the cable run as the home file listed it when the note was made.
    """

    at_ns: int
    text: str
    change: str = ""
    expected: tuple[ExpectedGain, ...] = ()


class Look(Struct, frozen=True, kw_only=True):
    """One look at the effect of whatever was changed at `of_ns`: when, and at measurements of which span.

    Looking again at the same span is the same look: nothing new was seen.
    """

    of_ns: int
    at_ns: int
    from_ns: int
    to_ns: int


class CallNote(Struct, frozen=True, kw_only=True):
    """Each text on one line, "" where nothing was given.

    spoke_to: who answered. ticket: the number they gave. promised: a day, YYYY-MM-DD, by which they said
    that something would be done.
    """

    at_ns: int
    text: str
    spoke_to: str = ""
    ticket: str = ""
    promised: str = ""
