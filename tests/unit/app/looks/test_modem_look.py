"""Where a modem is looked for: an address or a page, and nonsense is one line."""

import pytest

from whichhop.app.looks.modem_look import ModemLook, modem_place
from whichhop.errors import WhichhopError
from whichhop.model import ModemLevels
from whichhop.model.levels_source import LevelsSource


@pytest.mark.parametrize("said", ["192.168.100.1", "2001:db8::1", "http://192.0.2.254/status.html"])
def test_an_address_or_a_page_is_taken(said: str) -> None:
    assert modem_place(f" {said} ") == said


@pytest.mark.parametrize("said", ["nonsense", "", "192.168.100", "224.0.0.1", "ftp://192.0.2.1/", "a\x1b[0m"])
def test_nonsense_is_one_line_with_the_remedy(said: str) -> None:
    with pytest.raises(WhichhopError) as refused:
        modem_place(said)
    assert "write one such as 192.168.100.1" in str(refused.value)
    assert str(refused.value).isprintable()


def test_what_could_not_be_read_is_never_called_good() -> None:
    assert ModemLook(why="it wants a login").words == "The modem was not read: it wants a login."
    levels = ModemLevels(node="router", at_ns=1, channels=(), dsl=(), receive_dbm=None, remarks=())
    look = ModemLook(source=LevelsSource(snmp="x"), levels=levels)
    assert look.words == "The modem (SNMP x): Not determined; not read: downstream, upstream."
    assert not look.calls_for_action
