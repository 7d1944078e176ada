"""How anybody can check the report: chain heads, digests, the signature's key, and the command."""

import hashlib
import re

from whichhop.model.chain_signature import fingerprint
from whichhop.model.dossier import Dossier
from whichhop.report.blocks import Block, Fixed, Grid, Para, Section
from whichhop.report.wire_form import dossier_bytes
from whichhop.report.words import utc


def digest(dossier: Dossier) -> str:
    """SHA-256 of the dossier's bytes, in hexadecimal."""
    return hashlib.sha256(dossier_bytes(dossier)).hexdigest()


def _key(public_key: str) -> str:
    return fingerprint(public_key) if re.fullmatch("[0-9a-f]{64}", public_key) else "no key"


def integrity(dossier: Dossier) -> Section:
    """What to hold against what."""
    trust = " --trust FINGERPRINT" if dossier.public_key else " --trust none"
    more = " --home HOME" if dossier.redacted else ""
    blocks: list[Block] = [
        Para(
            f"Made on {utc(dossier.made_ns)} by whichhop {dossier.software}. Page and PDF"
            " each carry the figures as data; whoever has one of them as a file and the raw records can work"
            " out every figure again:"
        ),
        Fixed(f"whichhop verify REPORT RECORDS{trust}{more}"),
        Para("Digest of the data in this report (SHA-256):"),
        Fixed(digest(dossier)),
    ]
    if dossier.public_key:
        blocks += [
            Para(
                "Each file is signed at its end (Ed25519, RFC 8032) by the home's key, whose fingerprint is"
                " below, with its public half. Ask whoever sent the report for the fingerprint by another way"
                " (a call, a letter): `whichhop verify` trusts no key unless it is told to."
            ),
            Fixed(fingerprint(dossier.public_key)),
            Fixed(dossier.public_key),
        ]
    else:
        blocks.append(Para("This report is not signed: the home's key was not at hand."))
    blocks.append(
        Para(
            "The signature and the chain show that nothing was changed afterwards by anyone without the key;"
            " they cannot show that the one who holds the key measured honestly. A third party's"
            " time-stamp (RFC 3161) can be attached to fix the date."
        )
    )
    if dossier.chains:
        blocks.append(
            Grid(
                caption="Where each agent's chain of records stood (SHA-256)",
                head=("Machine", "Records", "Head of the chain"),
                rows=tuple((c.agent, f"{c.last_seq:,}", c.head) for c in dossier.chains),
                numbers=frozenset({1}),
            )
        )
    if signed := [(c.agent, c.signed) for c in dossier.chains if c.signed is not None]:
        blocks.append(
            Grid(
                caption="What each agent signed itself, so that the maker cannot change it later;"
                " its own page shows the same key",
                head=("Machine", "Records signed", "When", "Key of the machine"),
                rows=tuple((a, f"{s.seq:,}", utc(s.at_ns), _key(s.public_key)) for a, s in signed),
                numbers=frozenset({1}),
            )
        )
    if dossier.sessions:
        blocks.append(
            Grid(
                caption="Samples of each session in the span (SHA-256)",
                head=("Session", "Samples", "Digest"),
                rows=tuple((r.session, f"{r.samples:,}", r.digest) for r in dossier.sessions),
                numbers=frozenset({1}),
            )
        )
    if dossier.redacted:
        blocks.append(Para("Names and addresses were replaced by stand-ins; the figures are untouched."))
    return Section(name="integrity", title="How to check this report", blocks=blocks)
