"""What goes wrong in the agent's parts and is survived: told once, counted each time, its end told too."""

from collections.abc import Callable

LONGEST_TOLD = 500
"""Characters of one told line: a traceback's last line or a device's complaint fits."""


class Troubles:
    """One book for the whole agent, since the same failure may repeat every second for years. Pure.

    say: takes a line for whoever runs the agent. count: takes the part's name, each time.
    A part is known by a short fixed name, such as "modem-levels": it labels a metric.
    """

    def __init__(self, say: Callable[[str], None], count: Callable[[str], None]) -> None:
        self._say, self._count = say, count
        self._now: dict[str, str] = {}

    def wrong(self, part: str, text: str) -> None:
        """A part failed; told only when it was well before."""
        self._count(part)
        if part not in self._now:
            self._say(_one_line(f"{part}: {text}"))
        self._now[part] = text

    def well(self, part: str, text: str = "works again") -> None:
        """A part did its work; told only when it was in trouble before."""
        if self._now.pop(part, None) is not None:
            self._say(_one_line(f"{part}: {text}"))

    def now(self) -> list[str]:
        """The parts that are in trouble now, sorted."""
        return sorted(self._now)


def words_of(trouble: BaseException) -> str:
    """An exception in one line, with its kind where it is none of ours that explains itself."""
    text = " ".join(str(trouble).split())
    return text if type(trouble).__module__.startswith("whichhop.") and text else f"{trouble!r}"


def _one_line(text: str) -> str:
    plain = "".join(c if c.isprintable() else " " for c in text)
    return plain if len(plain) <= LONGEST_TOLD else f"{plain[: LONGEST_TOLD - 1]}…"
