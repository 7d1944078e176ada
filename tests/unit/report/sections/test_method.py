"""What a report says of who took its time stamps."""

import pytest
from msgspec.structs import replace

from support.dossiers import dossier
from whichhop.model import Method
from whichhop.report.blocks import Para
from whichhop.report.sections.method import method


@pytest.mark.parametrize(
    ("asked", "stamps", "own"),
    [
        (Method.STAMP, ("T1 T2 T3 T4",), ""),
        (Method.STAMP, ("T1 T2 T3 T4", "T1 T2 T4"), "T3"),
        (Method.STAMP, ("",), "T1, T2, T3 and T4"),
        (Method.ECHO, ("T1 T4",), ""),
        (Method.ECHO, ("T1",), "T4"),
        (Method.CALL, ("T1 T2 T4",), "T3"),
        (Method.CALL, ("T1 T4",), ""),
        (Method.ECHO, ("",), "T1 and T4"),
    ],
)
def test_stamps_that_the_kernel_did_not_take_are_named(
    asked: Method, stamps: tuple[str, ...], own: str
) -> None:
    whole = dossier()
    row = replace(whole.sessions[0], method=asked, stamps=stamps)
    blocks = method(replace(whole, sessions=(row,))).blocks
    text = " ".join(b.text for b in blocks if isinstance(b, Para) and isinstance(b.text, str))
    if own:
        taken = f"some records {own} {'are' if 'and' in own else 'is'} the program's own"
        # a sentence of its own begins like one
        assert f"{'In' if stamps == ('',) else '; in'} {taken}" in text
    else:
        assert "the program's own" not in text


def test_records_that_do_not_say_who_stamped_them_are_not_said_to_be_the_programs() -> None:
    whole = dossier()
    row = replace(whole.sessions[0], method=Method.ECHO, stamps=("?",))
    blocks = method(replace(whole, sessions=(row,))).blocks
    text = " ".join(b.text for b in blocks if isinstance(b, Para) and isinstance(b.text, str))
    assert "The records do not say who took their time stamps" in text
    assert "the program's own" not in text
