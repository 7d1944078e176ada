"""What was sent, by which standard, with which clocks, and what this kind of measuring cannot tell."""

from whichhop.model import Method
from whichhop.model.dossier import Dossier
from whichhop.model.figure_words import listed
from whichhop.model.record import STAMPS_NOT_SAID, kernel_stamps, program_stamps
from whichhop.report.blocks import Block, Bullets, Para, Section
from whichhop.report.words import millis

WORDS = {
    Method.ECHO: "Echo: ICMP echo requests (RFC 792, RFC 4443), one a second",
    Method.STAMP: "STAMP: Simple Two-way Active Measurement Protocol (RFC 8762), a packet a second;"
    " the reflector's own holding time is taken out",
    Method.TCP: "TCP: time to a connection's first answer, one a second, where echo is filtered",
    Method.LOOKUP: "Lookup: a DNS question every 2.5 s",
    Method.CALL: "Call: 50 packets a second for ten seconds, a call's rhythm",
    Method.LOADED: "Under load: 20 packets a second while a transfer runs",
}


def _clocks(dossier: Dossier) -> str:
    kernel = {stamp for row in dossier.sessions for stamp in kernel_stamps(row.stamps)}
    own = {stamp for row in dossier.sessions for stamp in program_stamps(row.method, row.stamps)}
    parts = []
    if kernel:
        parts.append(f"The operating system's kernel took the time stamps {', '.join(sorted(kernel))}")
    if own:
        parts.append(
            f"{'in' if kernel else 'In'} some records {listed(sorted(own))}"
            f" {'is' if len(own) == 1 else 'are'} the program's own, late on a busy machine"
            " (T1 sent, T2 came there, T3 left there, T4 came back)"
        )
    known = [row.clock_error_ns for row in dossier.sessions if row.clock_error_ns is not None]
    if known:
        parts.append(f"the clocks' stated error is at most {millis(max(known) / 1e9)}")
    if any(STAMPS_NOT_SAID in row.stamps for row in dossier.sessions):
        some = "some records do" if parts else "The records do"
        parts.append(f"{some} not say who took their time stamps")
    text = "; ".join(parts) or "No time stamps are on record"
    return f"{text}. Round trips need no agreement of clocks; no one-way delay is used here."


def method(dossier: Dossier) -> Section:
    """How it was measured."""
    used = sorted({row.method for row in dossier.sessions})
    samples = sum(row.samples for row in dossier.sessions)
    aside = sum(row.aside for row in dossier.sessions)
    blocks: list[Block] = [
        Bullets(tuple(WORDS[Method(m)] + "." for m in used)),
        Para(
            "Packets are sent at a random phase (RFC 3432), each up to 0.1 s behind it, so that they meet all"
            " of what is periodic (RFC 2330 section 11.1.1). A packet without an answer within 3 s is lost"
            " (RFC 7680). Delays are in ten-second ticks; a figure over many is a median of medians, so a"
            " few odd packets move it little."
        ),
        Para(_clocks(dossier)),
        Para(
            f"{samples:,} samples, of which {aside:,} are not judged because the measuring computer (agent)"
            " was late, asleep, could not send, or had its clock changed: they count neither as answered nor"
            " as lost."
        ),
        Para(
            "Each link is judged by sessions that cross it against sessions that do not, at the same moments"
            " and against each session's own quiet time. The probability is a model's: it weighs how often"
            " each kind of fault happens with how well it fits. A box that answers test packets slowly while"
            " forwarding well is told apart by the sessions that pass it."
        ),
        Bullets(
            (
                "Test packets are few and small; other traffic may fare somewhat better or worse.",
                "Loss comes in bursts. The intervals allow for bursts within ten seconds, not longer ones.",
                "A link is only seen where sessions cross it; two links that no session tells apart are named"
                " together.",
            )
        ),
    ]
    return Section(name="method", title="How it was measured", blocks=blocks)
