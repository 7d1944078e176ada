"""What a report as a file proves: seal, maker, print and time-stamp; and all that in one line."""

import base64
import binascii
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import partial
from typing import TypeVar

from whichhop import __version__
from whichhop.errors import DataError
from whichhop.model import Home
from whichhop.model.chain_signature import fingerprint, same_key
from whichhop.model.dossier import ChainHead, Dossier
from whichhop.model.note import CallNote
from whichhop.report.checks import FigureCheck
from whichhop.report.contents import Paper, title_of
from whichhop.report.html import page
from whichhop.report.pdf import pdf
from whichhop.report.printed import difference, printed
from whichhop.report.seal import Seal, chain_signed, data_signed, trouble
from whichhop.report.time_stamp import check_response, read_response
from whichhop.report.wire_form import dossier_bytes

_T = TypeVar("_T")


def simple(name: str, why: str) -> FigureCheck:
    """A check that holds unless there is a reason why it does not."""
    return FigureCheck(name=name, holds=not why, said=why or "holds", found="")


def _again(make: Callable[[], _T]) -> _T | None:
    """What a report's data gives; None where it is so twisted that nothing can be made of it.

    Well-formed data may still be of a home that is none, in any of a thousand ways: all of them mean that no
    whichhop wrote it.
    """
    try:
        return make()
    except Exception:  # noqa: BLE001 - see above; what is wrong with us, the genuine report's tests show
        return None


def page_checks(
    text: str, seal: Seal | None, dossier: Dossier, authority: bytes | None
) -> Iterator[FigureCheck]:
    """Of a page: its seal, whether it is what its data gives, to the octet, and its time-stamp."""
    yield simple("seal", trouble(text, seal, dossier.public_key))
    # A paper is known by its words: each of the four is made of the data alone, so none can say more than it.
    shows = any(_again(partial(page, dossier, paper)) == text for paper in Paper)
    yield simple("page shows its data", "" if shows else _other_words(dossier))
    if seal is not None and seal.time_response is not None:
        yield time_check(_decoded(seal.time_response), seal, authority)


def _other_words(dossier: Dossier, what: str = "the page says something else than its data") -> str:
    if dossier.software == __version__:
        return what
    return f"{what}, or words it otherwise: check it with the version that made it, {dossier.software}"


def paper_checks(
    paper: bytes, seal: Seal | None, dossier: Dossier, signature: str | None, place: str
) -> Iterator[FigureCheck]:
    """Of a PDF: its seal, its data's own signature, and whether it prints what its data gives.

    Behind a broken seal nothing is set again: that takes seconds, and what is printed proves nothing then.
    """
    broken = trouble(paper, seal, dossier.public_key)
    yield simple("seal", broken)
    if dossier.public_key is not None:
        good = signature is not None and data_signed(dossier_bytes(dossier), signature, dossier.public_key)
        yield simple("signature of the data", "" if good else "it does not fit the data")
    if broken:
        return
    why = "its data is not what whichhop writes"
    for kind in _likely(dossier, paper, place):
        due = _again(partial(pdf, dossier, signature, kind))
        if due is None:
            continue
        # Set by the same program and fonts it is the same to the octet; else its words are compared.
        why = "" if due == paper else _printed_otherwise(paper, due, dossier, place)
        if not why:
            break
    yield simple("page shows its data", why)


def _likely(dossier: Dossier, paper: bytes, place: str) -> Iterator[Paper]:
    """The papers whose title a PDF begins with; the report where none fits: setting each takes seconds."""
    words = printed(paper, place).words
    titles = {kind: "".join(title_of(dossier, kind).split()) for kind in Paper}
    found = [kind for kind, title in titles.items() if words.startswith(title)]
    yield from found or [Paper.REPORT]


def _printed_otherwise(paper: bytes, due: bytes, dossier: Dossier, place: str) -> str:
    found, wanted = printed(paper, place), printed(due)
    why = difference(found, wanted)
    if why and (missing := found.fonts - wanted.fonts):
        return f"{why}; this machine sets it without the fonts {', '.join(sorted(missing))}: install them"
    return _other_words(dossier, why) if why else ""


MAKER = "maker's key"


def maker_check(
    dossier: Dossier, trust: str | None, known: Mapping[str, str], own_key: str | None
) -> FigureCheck:
    """Whether the key that signed is one that this reader trusts.

    trust: what the reader named for this report. known: the list kept. own_key: the reader's own home's.
    """
    key = dossier.public_key
    if key is None:
        if trust and trust.lower() == "none":
            return FigureCheck(name=MAKER, holds=True, said="none: the report is not signed", found="")
        return simple(MAKER, "the report is not signed: whoever changed it could have sealed it again")
    short = fingerprint(key)
    if any(same_key(key, name) for name in ([trust] if trust else known)) or (not trust and key == own_key):
        return FigureCheck(name=MAKER, holds=True, said=f"{short}, which is trusted", found="")
    if trust:
        return simple(MAKER, f"it is {short}, another one than the one given")
    return simple(
        MAKER,
        f"{short} is unknown here, and anybody can sign with a key of their own: ask the maker for the"
        " fingerprint by another way than the report, then give it with --trust",
    )


def _decoded(text: str) -> bytes:
    try:
        return base64.b64decode(text, validate=True)
    except binascii.Error:
        return b""


def time_check(response: bytes, seal: Seal, authority: bytes | None) -> FigureCheck:
    """Whether an authority that the reader trusts (PEM) stamped just this report."""
    try:
        stamped = read_response(response)
        if stamped.digest.hex() != seal.sha256:
            return simple("time-stamp", "it was given for another page")
        if authority is None:
            return simple("time-stamp", "its authority is unknown here: give --authority FILE")
        check_response(response, stamped.digest, authority)
    except DataError as why:
        return simple("time-stamp", str(why))
    return FigureCheck(name="time-stamp", holds=True, said=f"{stamped.at}, serial {stamped.serial}", found="")


def agent_checks(chain: ChainHead, link_at: Callable[[bytes, int], bytes | None]) -> Iterator[FigureCheck]:
    """Whether an agent's own signature covers its records as they are here; nothing where it has signed none.

    link_at: the link after a record, by the chain's origin and its place; see store.Store.link_at.
    """
    said = chain.signed
    if said is None:
        return
    name = f"agent {chain.agent}"
    if not said.sound or not chain_signed(chain.origin, said):
        yield simple(name, "its signature does not fit what it is said to have signed")
        return
    link = link_at(bytes.fromhex(chain.origin), said.seq)
    if link is None:
        yield simple(name, f"its record {said.seq}, up to which it has signed, is not kept here")
    elif link.hex() != said.head:
        yield simple(name, "these records are not those that the agent has signed")
    else:
        words = f"signed its records up to {said.seq} with the key {fingerprint(said.public_key)}"
        yield FigureCheck(name=name, holds=True, said=words, found="")


def said_checks(dossier: Dossier, home: Home | None, calls: Iterable[CallNote]) -> Iterator[FigureCheck]:
    """Whether what was said, not measured, is what home file and call log say: the line's names, and calls.

    home: of the home file where the reader gave one. calls: those among the records; none to check against
    where there are none.
    """
    if home is not None and not dossier.redacted:
        same = dossier.home.service == home.service
        yield simple("line's names", "" if same else "account, address or modem are not the home file's")
    kept = set(calls)
    if kept and not dossier.redacted:
        other = [c for c in dossier.calls if c not in kept]
        yield simple("call log", f"{len(other)} of its calls are not in these records" if other else "")


def proof(found: Sequence[FigureCheck], dossier: Dossier, records: bool) -> str:
    """What is proven and what is not, in one line."""
    bad = {c.name for c in found if not c.holds}
    names = {c.name for c in found}
    yes: list[str] = []
    no: list[str] = []

    def add(good: bool, proven: str, otherwise: str) -> None:
        (yes if good else no).append(proven if good else otherwise)

    signed = dossier.public_key is not None and not bad & {"seal", "signature of the data", MAKER}
    add(
        signed and "seal" in names,
        "unchanged since the holder of the key signed it",
        "who made it and that it is unchanged",
    )
    if "page shows its data" in names:
        add("page shows its data" not in bad, "every word printed follows from its data", "what is printed")
    figures = {n for n in bad if not n.startswith(("chain", "agent")) and n not in OUTER}
    add(
        records and not figures,
        "every figure follows from the records given",
        "that the figures follow from the measurements",
    )
    agents = {n for n in names if n.startswith("agent ")}
    add(
        bool(agents) and not agents & bad,
        f"records as their agents signed them: {', '.join(sorted(a.removeprefix('agent ') for a in agents))}",
        "that no agent's record was changed by the maker",
    )
    add("time-stamp" in names - bad, "it was there at the time stamped", "when it was made")
    no.append("that the agents measured honestly")
    return f"Proven: {'; '.join(yes) or 'nothing'}. Not proven: {'; '.join(no)}."


OUTER = {
    "seal",
    "signature of the data",
    MAKER,
    "page shows its data",
    "time-stamp",
    "line's names",
    "call log",
}
"""Checks that are about the file itself, not about its figures."""
