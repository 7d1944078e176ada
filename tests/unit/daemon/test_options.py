"""Where an agent keeps its records unless told."""

from pathlib import Path

from whichhop.daemon.options import default_store


def test_a_service_keeps_records_in_the_folder_that_systemd_gives_it() -> None:
    assert default_store("attic", {"STATE_DIRECTORY": "/var/lib/whichhop:/x"}) == Path(
        "/var/lib/whichhop/attic.db"
    )


def test_a_person_keeps_them_in_their_state_folder() -> None:
    assert default_store("attic", {"XDG_STATE_HOME": "/s"}) == Path("/s/whichhop/attic.db")
    assert default_store("attic", {}).parts[-3:] == ("state", "whichhop", "attic.db")
