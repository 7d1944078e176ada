"""Answers "/", its style, script and icon; makes the page anew at most once in a few seconds."""

from collections.abc import Callable
from pathlib import Path

import msgspec

from whichhop.model import Home
from whichhop.model.bulletin import Bulletin
from whichhop.model.units import NS_PER_S
from whichhop.serve.answer import Answer, Question, only_known
from whichhop.serve.app import App
from whichhop.serve.live import LiveState

POLICY = (
    "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self';"
    " base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
"""Nothing from outside, nothing inline, no frame around it (CSP level 3)."""
_GUARDS = (("content-security-policy", POLICY), ("referrer-policy", "no-referrer"))
FRESH_NS = 5 * NS_PER_S
"""Many viewers cost one rendering in this time: the loop that answers them also sends the packets."""
_FILES = {
    "page.css": "text/css; charset=utf-8",
    "page.js": "text/javascript; charset=utf-8",
    "page.svg": "image/svg+xml",
}


class Page:
    """The page's paths. `add_to` an App.

    live: with the comparer's newest bulletin. home: as this agent read it last. now_ns: the clock, UTC.
    """

    def __init__(
        self,
        *,
        live: LiveState,
        home: Callable[[], Home],
        now_ns: Callable[[], int],
    ) -> None:
        self._live = live
        self._home = home
        self._now_ns = now_ns
        self._decoder = msgspec.json.Decoder(Bulletin)
        folder = Path(__file__).parent
        self._files = {f"/{name}": (folder / name).read_bytes() for name in _FILES}
        self._made: tuple[bytes | None, int, bytes] | None = None

    def add_to(self, app: App) -> None:
        """Answer on this application from now on."""
        app.add("/", self._page)
        for path in self._files:
            app.add(path, self._file)

    async def _file(self, question: Question) -> Answer:
        only_known(question)
        kind = _FILES[question.path.removeprefix("/")]
        return Answer(body=self._files[question.path], content_type=kind, headers=_GUARDS)

    async def _page(self, question: Question) -> Answer:
        only_known(question)
        raw, now_ns = self._live.bulletin, self._now_ns()
        if self._made is None or self._made[0] != raw or not 0 <= now_ns - self._made[1] < FRESH_NS:
            self._made = (raw, now_ns, self._render(raw, now_ns))
        return Answer(body=self._made[2], content_type="text/html; charset=utf-8", headers=_GUARDS)

    def _render(self, raw: bytes | None, now_ns: int) -> bytes:
        # Loaded when somebody looks: most agents are never looked at, and it is a megabyte.
        from whichhop.serve.page.document import bulletin_page, own_page  # noqa: PLC0415
        from whichhop.serve.page.own import other_pages  # noqa: PLC0415

        trouble = ""
        if raw:
            try:
                bulletin = self._decoder.decode(raw)
            except msgspec.DecodeError as error:
                trouble = f"The comparer's word could not be read: {error}."
            else:
                return bulletin_page(bulletin, live=self._live, now_ns=now_ns)
        elif raw is not None:
            trouble = "The comparer has just started and has not spoken yet."
        return own_page(
            self._live, other_pages(self._home(), self._live.agent), now_ns=now_ns, trouble=trouble
        )
