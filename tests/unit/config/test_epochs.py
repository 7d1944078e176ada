"""A revocation counts with the owner's signature alone (Ed25519, RFC 8032), and never an older one."""

from pathlib import Path

import msgspec
import pytest

from support.homes import ALDER_TEXT
from whichhop.advice.rank import advise
from whichhop.app.advice_of_home import known_home
from whichhop.app.agents.epoch_learning import asked, hand_out
from whichhop.app.agents.revoking import check_revocable, revoke
from whichhop.compare.suspects.vantage import separation
from whichhop.config.check import read_home, read_house
from whichhop.config.epochs import (
    NONE,
    Revoked,
    WordError,
    epoch_path,
    in_force,
    is_owners,
    key_digest,
    make_owner,
    next_epoch,
    owner_path,
    put_in_force,
    read_epoch,
    read_owner,
    unsealed,
)
from whichhop.config.files import WriteError, replace_file
from whichhop.config.identity import identity_at, signing_key
from whichhop.config.keys import create_key, key_path_for, read_key
from whichhop.config.known_agents import (
    VARIABLE,
    KnownAgents,
    known_agents_path,
    read_known,
    write_known,
)
from whichhop.errors import WhichhopError
from whichhop.model import Cause, Verdict, derive_sessions

LAPTOP = Revoked(agent="laptop", key="ab" * 32, at_s=1_800_000_000)


@pytest.fixture
def home(tmp_path: Path) -> Path:
    path = tmp_path / "home.yaml"
    path.write_text(ALDER_TEXT)
    create_key(key_path_for(path))
    return path


def owned(home: Path) -> str:
    word = make_owner(home)
    assert word is not None
    return word


@pytest.mark.parametrize("octets", [b"", b'{"public_key": ', b"\0" * 40, "x".encode("utf-16")])
def test_an_owners_file_that_cannot_be_read_is_told_at_once_and_not_when_a_machine_is_lost(
    home: Path, octets: bytes
) -> None:
    owner_path(home).write_bytes(octets)
    with pytest.raises(WhichhopError, match="copy it again from another machine of the home") as caught:
        make_owner(home)
    assert "\n" not in str(caught.value)


def test_nothing_is_advised_about_a_machine_that_was_revoked(home: Path) -> None:
    """No place for an agent, no address to be given, and what was wrong with it is not to be fixed."""
    word = owned(home)
    revoke(home, None, "desk", lambda: word, 1_800_000_000)
    house = read_house(home)
    found = separation(house.home, derive_sessions(house.home))
    assert found.advice
    assert not any("desk" in one.words for one in found.advice)

    def advised(*verdicts: Verdict) -> list[str]:
        known = known_home(
            house,
            "home.yaml",
            start_ns=0,
            end_ns=7200 * 10**9,
            sessions=(),
            verdicts=verdicts,
            readings=(),
        )
        return [step.what for step in advise(known)]

    else_so = advised()
    assert advised(an_hours(Cause.BACKHAUL, "attic/router")) != else_so  # of what is still there
    for cause, element in ((Cause.WIRELESS_HOP, "desk/attic"), (Cause.AGENT_HOST, "host:desk")):
        assert advised(an_hours(cause, element)) == else_so


def an_hours(cause: Cause, element: str) -> Verdict:
    return Verdict(
        cause=cause, elements=(element,), probability=0.99, proven=True, start_ns=0, end_ns=3600 * 10**9
    )


def test_the_owners_word_opens_however_it_is_typed_and_is_on_no_disk(home: Path) -> None:
    word = owned(home)
    owner = read_owner(home)
    assert owner is not None
    for typed in (word, word.lower(), word.replace("-", " ")):
        assert unsealed(owner, typed).public_key().public_bytes_raw().hex() == owner.public_key
    assert owner_path(home).stat().st_mode & 0o777 == 0o600
    assert word not in owner_path(home).read_text()
    assert make_owner(home) is None
    for wrong in ("", word[:-1], "AAAA-AAAA-AAAA-AAAA-AAAA"):
        with pytest.raises(WordError, match="not the owner's word"):
            unsealed(owner, wrong)


def test_only_the_owner_can_say_it(home: Path, tmp_path: Path) -> None:
    owned(home)
    owner = read_owner(home)
    word = owned(tmp_path / "third.yaml")
    third = read_owner(tmp_path / "third.yaml")
    assert owner is not None
    assert third is not None
    epoch, key = next_epoch(NONE, LAPTOP, unsealed(third, word))
    assert is_owners(epoch, third)
    assert not is_owners(epoch, owner)
    assert not is_owners(epoch, None)
    assert is_owners(NONE, None)
    assert epoch.key_digest == key_digest(key)
    for change in (
        {"number": 7},
        {"revoked": ()},
        {"revoked": (msgspec.structs.replace(LAPTOP, agent="desk"),)},
        {"key_digest": key_digest(bytes(32))},
        {"signature": ""},
        {"signature": "00" * 64},
    ):
        assert not is_owners(msgspec.structs.replace(epoch, **change), third)


def test_a_key_is_kept_beside_the_records_where_the_home_files_folder_is_closed(
    home: Path, tmp_path: Path
) -> None:
    word = owned(home)
    owner = read_owner(home)
    assert owner is not None
    epoch, key = next_epoch(NONE, LAPTOP, unsealed(owner, word))
    identity = tmp_path / "state" / "desk.identity"
    identity.parent.mkdir()
    nowhere = tmp_path / "closed" / "home.yaml"  # a folder that is not there cannot be written to either
    assert put_in_force(epoch, key, nowhere, None, identity) == epoch_path(identity)
    now = in_force(home, None, identity)
    assert (now.key, now.epoch, now.key_file) == (key, epoch, key_path_for(identity))
    assert key_path_for(identity).stat().st_mode & 0o777 == 0o600
    # One beside the home file that is as new is taken from there again.
    put_in_force(epoch, key, home, None, identity)
    assert in_force(home, None, identity).key_file == key_path_for(home)


def met(home: Path, tmp_path: Path, *agents: str) -> None:
    certificates = {name: identity_at(tmp_path / f"{name}.identity", name).certificate for name in agents}
    write_known(known_agents_path(home), KnownAgents(certificates=certificates))


def test_a_statement_that_cannot_be_kept_leaves_the_old_key(home: Path) -> None:
    """A disk that fills up in between: the new key alone would make this machine a stranger to its home."""
    word = owned(home)
    old = key_path_for(home).read_text()
    epoch_path(home).mkdir()
    owner = read_owner(home)
    assert owner is not None
    epoch, key = next_epoch(NONE, LAPTOP, unsealed(owner, word))
    with pytest.raises(WriteError, match=r"home\.revoked: cannot be written"):
        put_in_force(epoch, key, home, None, None)
    assert key_path_for(home).read_text() == old
    assert sorted(p.name for p in home.parent.iterdir()) == [
        "home.key",
        "home.owner",
        "home.revoked",
        "home.yaml",
    ]


def test_the_machine_whose_agent_is_revoked_cannot_be_the_one_that_revokes_it(
    home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It would make a key that nobody takes from it."""
    owned(home)
    state = tmp_path / "state"
    attic = identity_at(state / "attic.identity", "attic")
    check_revocable(home, "attic", (state,))  # of another home, for all that is known
    write_known(known_agents_path(home), KnownAgents(certificates={"attic": attic.certificate}))
    with pytest.raises(WhichhopError, match="run this on another machine of the home"):
        check_revocable(home, "attic", (state,))
    # The agent of this very machine, which never met itself.
    monkeypatch.setattr("whichhop.app.agents.revoking.own_address_toward", lambda address: address)
    check_revocable(home, "desk", (state,))
    identity_at(state / "desk.identity", "desk")
    with pytest.raises(WhichhopError, match="run this on another machine of the home"):
        check_revocable(home, "desk", (state,))


def test_a_home_file_that_is_a_link_stays_one(home: Path, tmp_path: Path) -> None:
    """Kept in a repository and linked to: an agent that joins is written into the file itself."""
    link = tmp_path / "link.yaml"
    link.symlink_to(home)
    replace_file(link, "new")
    assert link.is_symlink()
    assert home.read_text() == "new"


def test_the_new_key_is_handed_to_an_agent_that_was_met_and_to_nobody_else(
    home: Path, tmp_path: Path
) -> None:
    word = owned(home)
    agents = [n.name for n in read_home(home).agents]
    gone, left = agents[0], agents[1]
    met(home, tmp_path, *agents)
    before = read_key(key_path_for(home))
    done = revoke(home, None, gone, lambda: word, now_s=1_800_000_000)
    assert done.number == 1
    assert read_key(key_path_for(home)) != before
    assert gone not in {n.name for n in read_home(home).agents}

    own = tmp_path / "own.identity"
    to = signing_key(own).public_key().public_bytes_raw().hex()

    def signed(agent: str, name: str, whom: str = to) -> str:
        return signing_key(tmp_path / f"{agent}.identity").sign(asked(whom, name)).hex()

    answer = hand_out(home, None, own, left, signed(left, left))
    assert answer.epoch == read_epoch(epoch_path(home))
    for agent, signature, told in (
        (left, signed(gone, left), "does not hold the key"),  # the laptop says that it is another
        (
            left,
            signed(left, left, "cd" * 32),
            "does not hold the key",
        ),  # taken from a talk with another agent
        (left, "", "does not hold the key"),
        (gone, signed(gone, gone), "never met here"),
        ("cellar", signed(left, "cellar"), "never met here"),
    ):
        with pytest.raises(WhichhopError, match=told):
            hand_out(home, None, own, agent, signature)
    # Met again by somebody who believed it, the laptop stays out: its key is named as revoked.
    met(home, tmp_path, *agents)
    with pytest.raises(WhichhopError, match="is revoked"):
        hand_out(home, None, own, gone, signed(gone, gone))
    assert gone not in {n.name for n in read_home(home).agents}


def test_a_revoked_machine_that_is_set_up_anew_and_invited_is_an_agent_again(
    home: Path, tmp_path: Path
) -> None:
    word = owned(home)
    agents = [n.name for n in read_home(home).agents]
    met(home, tmp_path, *agents)
    revoke(home, None, agents[0], lambda: word, now_s=1_800_000_000)
    assert agents[0] not in {n.name for n in read_home(home).agents}
    (tmp_path / f"{agents[0]}.identity").unlink()
    met(home, tmp_path, *agents)
    assert agents[0] in {n.name for n in read_home(home).agents}


@pytest.mark.parametrize("text", ["", "{", "[]", '{"number": -1}', '{"number": 1e999}', '{"revoked": 3}'])
def test_a_damaged_statement_is_one_line(text: str, home: Path) -> None:
    epoch_path(home).write_text(text)
    with pytest.raises(WhichhopError) as told:
        read_epoch(epoch_path(home))
    assert len(str(told.value).splitlines()) == 1


def test_what_a_unit_learns_that_may_not_write_beside_the_home_file_counts_all_the_same(
    home: Path, tmp_path: Path
) -> None:
    """The shipped unit: agents met, a new key; and the verb that would undo it."""
    word = owned(home)
    owner = read_owner(home)
    assert owner is not None
    state = tmp_path / "state"
    state.mkdir()
    beside = {VARIABLE: str(state / "desk.agents")}
    closed = tmp_path / "closed" / "home.agents"  # a folder that is not there cannot be written to either
    with pytest.raises(WhichhopError):
        write_known(closed, KnownAgents(certificates={"attic": "PEM"}), {})
    write_known(closed, KnownAgents(certificates={"attic": "PEM", "desk": "PEM"}), beside)
    assert set(read_known(closed, beside).certificates) == {"attic", "desk"}
    # Whom somebody wrote down beside the home file, as `invite --replace` does, goes before.
    write_known(known_agents_path(home), KnownAgents(certificates={"attic": "other"}), beside)
    assert read_known(known_agents_path(home), beside).certificates == {"attic": "other", "desk": "PEM"}
    known_agents_path(home).unlink()

    gone, left = [n.name for n in read_home(home).agents][:2]
    epoch, key = next_epoch(NONE, LAPTOP, unsealed(owner, word))
    put_in_force(epoch, key, tmp_path / "closed" / "home.yaml", None, state / f"{left}.identity")
    with pytest.raises(WhichhopError, match="learned of a newer key") as told:
        check_revocable(home, gone, [state])
    assert f"{state / left}.revoked" in str(told.value)
    assert "\n" not in str(told.value)
    # As the line says: both copied, and the next revocation counts from there.
    epoch_path(home).write_text((state / f"{left}.revoked").read_text())
    key_path_for(home).write_text((state / f"{left}.key").read_text())
    check_revocable(home, gone, [state])
    assert revoke(home, None, gone, lambda: word, now_s=1_800_000_000).number == 2
