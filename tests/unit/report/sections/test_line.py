"""What a report says of the line and of what it was tested against."""

from msgspec.structs import replace

from support.dossiers import dossier
from whichhop.report.sections.line import target_words


def test_a_peer_that_never_answered_is_no_proof_and_said_so() -> None:
    whole = dossier()
    (peer,) = whole.home.peers
    assert "answered" not in target_words(whole)
    asked = tuple(
        replace(row, lost=row.sent, quiet_lost=row.quiet_sent) if f">{peer}:" in row.session else row
        for row in whole.sessions
    )
    assert target_words(replace(whole, sessions=asked)).endswith(" (never answered)")
    others = tuple(row for row in whole.sessions if f">{peer}:" not in row.session)
    assert target_words(replace(whole, sessions=others)).endswith(" (not asked in this span)")
