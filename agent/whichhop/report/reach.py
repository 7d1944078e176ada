"""How far "no fault found" reaches, and what is felt though no hop is slow, in every paper alike."""

from whichhop.model.dossier import Dossier
from whichhop.model.figure_words import TOO_LITTLE_YET, TOO_SHORT
from whichhop.model.inner_cause import FELT_WORDS, Felt
from whichhop.report.blocks import Block, Bullets, Notice, Para, Tone
from whichhop.report.standing import ReportStanding, standing_of, too_short


def without_fault(dossier: Dossier, quiet: str) -> Notice:
    """That no fault was found, with `quiet` of what was measured; or why that cannot be said of all."""
    reach = dossier.reach
    if reach.nothing:
        return Notice(Tone.HOLD, "Not determined", " ".join(reach.not_measured))
    if too_short(dossier):
        words = " ".join((TOO_SHORT, *reach.not_measured))
        return Notice(Tone.HOLD, TOO_LITTLE_YET.removesuffix("."), words)
    if reach.unmeasured:
        head = "No fault found on the hops that were measured"
        return Notice(Tone.HOLD, head, " ".join((quiet, *reach.not_measured, *reach.unusual)))
    if reach.unusual:
        links, its = ("some links are", "their") if len(reach.unusual) > 1 else ("one link is", "its")
        head = f"No fault found, but {links} slower than is usual for {its} kind"
        return Notice(Tone.HOLD, head, " ".join(reach.unusual))
    if standing_of(dossier) is ReportStanding.FELT:
        first = dossier.felt[0]
        head = f"No hop is slow, but {first.where}: {FELT_WORDS[first.cause]}"
        return Notice(Tone.HOLD, head, f"What users notice: {first.feels}.")
    return Notice(Tone.NO_FAULT, "No fault found", quiet)


def felt_line(felt: Felt) -> str:
    """One of them with its figures."""
    return f"{felt.line}: {'; '.join(felt.evidence)}."


def felt_blocks(dossier: Dossier) -> list[Block]:
    """Everything that is felt, each with its figures, steps and how to see afterwards whether it is gone."""
    out: list[Block] = []
    for felt in dossier.felt:
        out.append(Para(f"{felt_line(felt)} What users notice: {felt.feels}."))
        check = f"To check afterwards: {felt.check.rstrip('.')}."
        out.append(Bullets((*felt.steps, check)))
    return out


def felt_besides(dossier: Dossier) -> list[Block]:
    """What is felt beside what a paper is about, a paragraph each."""
    leads = standing_of(dossier) is ReportStanding.FELT
    besides = "" if leads else "Felt besides, though no hop is slow by it: "
    return [Para(f"{besides}{felt_line(f)}") for f in dossier.felt]


def reach_besides(dossier: Dossier) -> list[Block]:
    """What was not measured, or is slow though nothing changed, beside what a paper is about."""
    return [Para(words) for words in (*dossier.reach.not_measured, *dossier.reach.unusual)]
