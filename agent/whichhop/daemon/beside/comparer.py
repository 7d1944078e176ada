"""Runs the comparer beside the agent, in a process of its own, and keeps its newest word."""

from collections.abc import Callable, Sequence

from whichhop.daemon.children import Children, Command, KeptChild
from whichhop.daemon.options import RunOptions
from whichhop.model.bulletin import Bulletin
from whichhop.net.child import our_module
from whichhop.outside import typed
from whichhop.serve.live import LiveState

MOST_LINE = 8 << 20
FIRST_LINE_S = 600.0
"""The first time it may have days of the agents' history to fetch and to judge."""
NEXT_LINE_S = 120.0
"""It speaks every ten seconds; one that is silent for so long hangs."""


def arguments(options: RunOptions) -> list[str]:
    """How the comparer is started; it reads the home file itself, and keeps what it collects by our store."""
    home_file = options.home_file
    words = ["compare", str(home_file), "--follow", "--json"]
    words += ["--store", str(options.store.with_name(f"{home_file.stem}.collected.db"))]
    words += ["--key", str(options.key_in_use)] if options.key_in_use else []
    return our_module("whichhop", *words)


def show(live: LiveState, line: bytes) -> Bulletin:
    """Put one bulletin where the exporter and the page find it; OutsideError when it is none."""
    bulletin = typed(line, "the comparer's bulletin", Bulletin, most=MOST_LINE)
    faults = {link.name: link.probability for link in bulletin.links}
    for finding in bulletin.findings:
        for element in finding.elements:
            faults[element] = max(faults.get(element, 0.0), finding.probability)
    live.faults = faults
    live.levels = {
        link.name: (link.level.level_s, link.level.usual_high_s)
        for link in bulletin.links
        if link.level is not None
    }
    live.judged = bulletin
    live.bulletin = line
    return bulletin


class Comparer:
    """One comparer, kept going; begun again where the home file changes."""

    def __init__(
        self,
        argv: Callable[[], Sequence[str]],
        live: LiveState,
        children: Children,
        take: Callable[[Bulletin], None] = lambda _: None,
    ) -> None:
        self._argv, self._live, self._children, self._take = argv, live, children, take
        self._kept: KeptChild | None = None

    @property
    def pid(self) -> int | None:
        """The running comparer's process number; None when none runs."""
        return None if self._kept is None else self._kept.pid

    def start(self) -> None:
        """Begin; returns at once."""
        self._live.bulletin = b""
        self._kept = self._children.keep(
            "comparer", self._command, lambda line: self._take(show(self._live, line)), over=self._over
        )

    def _command(self) -> Command:
        return Command(
            argv=tuple(self._argv()), line_octets=MOST_LINE, first_s=FIRST_LINE_S, next_s=NEXT_LINE_S
        )

    def restart(self) -> None:
        """Have it read the home file again."""
        if self._kept is not None:
            self._kept.begin_anew()

    def _over(self) -> None:
        # What nobody renews must not stand as if it were of now.
        self._live.faults, self._live.judged, self._live.levels = {}, None, {}
