"""What goes wrong in the agent's parts and is survived: told once, counted each time. Pure."""

from collections import Counter
from collections.abc import Callable, Mapping

from whichhop.printable import printable

LONGEST_TOLD = 500
"""Characters of one told line: a traceback's last line or a device's complaint fits."""
SETTLE_S = 600.0
"""How often `settle` is to be called: what did not come again for so long is over."""
MOST_LINES = 6
"""Of one part from one settling to the next: what comes and goes by the minute must not fill a disk."""


class Troubles:
    """One book for the whole agent, since the same failure may repeat every second for years.

    say: takes a line for whoever runs the agent. count: takes the part's name, each time.
    A part is known by a short fixed name, such as "modem-levels": it labels a metric.
    """

    def __init__(self, say: Callable[[str], None], count: Callable[[str], None]) -> None:
        self._say, self._count = say, count
        self._now: dict[str, bool] = {}
        """By part in trouble: whether its trouble passes by itself."""
        self._lately: set[str] = set()
        self._lines: Counter[str] = Counter()

    def wrong(self, part: str, text: str, *, passing: bool = False, another: bool = False) -> None:
        """A part failed; told only when it was well before, or fails for another reason now.

        passing: nobody will say that it is well again; so it is once it settles.
        """
        before = part in self._now
        self._now[part] = passing
        self._lately.add(part)
        self._count(part)
        if another or not before:
            self._tell(part, text)

    def survived(self, part: str, trouble: Exception) -> None:
        """An exception in a part of which nobody will say that it is well again."""
        self.wrong(part, words_of(trouble), passing=True)

    def of_the_loop(self, context: Mapping[str, object]) -> None:
        """What the event loop hears of a callback or a forgotten task: survived, whatever a stranger sent."""
        trouble = context.get("exception")
        words = words_of(trouble) if isinstance(trouble, BaseException) else ""
        self.wrong("event-loop", f"{context.get('message')}: {words}", passing=True)

    def well(self, part: str, text: str = "works again") -> None:
        """A part did its work; told only when it was in trouble before."""
        if self._now.pop(part, None) is not None:
            self._tell(part, text)

    def now(self) -> list[str]:
        """The parts that are in trouble now, sorted."""
        return sorted(self._now)

    def settle(self) -> None:
        """Forget passing troubles that did not come again since this was last called."""
        for part, passing in list(self._now.items()):
            if passing and part not in self._lately:
                del self._now[part]
        self._lately.clear()
        self._lines.clear()

    def _tell(self, part: str, text: str) -> None:
        self._lines[part] += 1
        if self._lines[part] == MOST_LINES:
            text = f"{text} (it comes and goes; no more of it is told for {SETTLE_S / 60:g} minutes)"
        if self._lines[part] <= MOST_LINES:
            self._say(printable(f"{part}: {text}", LONGEST_TOLD))


class Strangers:
    """Who was turned away: the first few are told, the others only counted, so that nobody fills a disk."""

    MOST_TOLD = 5

    def __init__(self, say: Callable[[str], None]) -> None:
        self._say = say
        self._came = 0

    def came(self, text: str) -> None:
        """One more was turned away."""
        self._came += 1
        if self._came <= self.MOST_TOLD:
            self._say(printable(text, LONGEST_TOLD))

    def settle(self) -> None:
        """Tell how many came beside those told, every SETTLE_S, and begin to tell again."""
        more = self._came - self.MOST_TOLD
        if more > 0:
            self._say(f"{more} more connections were turned away in the last {SETTLE_S / 60:g} minutes")
        self._came = 0


def words_of(trouble: BaseException) -> str:
    """An exception in one line, with its kind where it is none of ours that explains itself."""
    text = " ".join(str(trouble).split())
    return text if type(trouble).__module__.startswith("whichhop.") and text else f"{trouble!r}"
