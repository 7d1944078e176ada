"""Revokes an agent: a new home key and the owner's statement of it, for all who are left."""

from collections.abc import Callable, Sequence
from pathlib import Path

from msgspec import Struct

from whichhop.config.check import read_home
from whichhop.config.epochs import (
    Revoked,
    epoch_path,
    in_force,
    is_owners,
    next_epoch,
    owner_path,
    put_in_force,
    read_epoch,
    read_owner,
    unsealed,
)
from whichhop.config.identity import public_key_of, signing_key
from whichhop.config.keys import KeyFileError, derive_keys, key_path_for
from whichhop.config.known_agents import KnownAgents, known_agents_path, read_known, write_known
from whichhop.daemon.options import default_store
from whichhop.errors import WhichhopError
from whichhop.model.chain_signature import fingerprint
from whichhop.net.surroundings import own_address_toward


class Revocation(Struct, frozen=True, kw_only=True):
    """What came of it. left: agents that get the new key. unmet: those that cannot be told from strangers.

    key: fingerprint of the revoked agent's own key; None where it was never met. maker: of the key that signs
    the home's reports from now on.
    """

    agent: str
    number: int
    left: tuple[str, ...]
    unmet: tuple[str, ...]
    key: str | None
    maker: str


STATES = (Path("/var/lib/whichhop"), default_store("x").parent)
"""Where agents of this machine may have kept a newer key than stands beside the home file."""


def _number(kept: Path) -> int:
    try:
        return read_epoch(kept).number
    except WhichhopError:  # another user's folder: whoever may not read there is told nothing of it
        return 0


def _is_own(identity: Path, met: str | None, address: str | None) -> bool:
    """Whether the agent's own key stands there: that it was met with, else one of the machine at its address.

    Names are common: a key that was left by an agent of the same name in another home is none.
    """
    try:
        if not identity.exists():
            return False
        if met is None:
            return address is not None and own_address_toward(address) == address
        return signing_key(identity).public_key().public_bytes_raw().hex() == public_key_of(met)
    except (OSError, WhichhopError):  # another user's folder, or no key that can be read
        return False


def check_revocable(home_file: Path, agent: str, states: Sequence[Path] = STATES) -> None:
    """WhichhopError where there is nothing to revoke, before anybody is asked for a word."""
    home = read_home(home_file)
    agents = [n.name for n in home.agents]
    if agent not in agents:
        raise WhichhopError(f"{agent}: no agent of {home_file}; there are {', '.join(agents) or 'none'}")
    met = read_known(known_agents_path(home_file)).certificates.get(agent)
    for own in (folder / f"{agent}.identity" for folder in states):
        if _is_own(own, met, home.nodes[agent].address):
            raise WhichhopError(
                f"{agent}: its own key is on this machine ({own}), and who is revoked can tell nobody;"
                " run this on another machine of the home, or remove that file if no agent runs here now"
            )
    known = read_epoch(epoch_path(home_file)).number
    for kept in (folder / f"{name}.revoked" for folder in states for name in agents):
        if _number(kept) > known:
            raise WhichhopError(
                f"{home_file}: an agent here learned of a newer key, so a revocation by the old one would"
                f" reach nobody; copy {kept} to {epoch_path(home_file)} and {kept.with_suffix('.key')} to"
                f" {key_path_for(home_file)} first"
            )
    if read_owner(home_file) is None:
        raise KeyFileError(
            f"{owner_path(home_file)}: this home has no owner; make one with `whichhop setup {home_file}`, or"
            " copy the file from another of its machines"
        )


def revoke(
    home_file: Path, key_file: Path | None, agent: str, word: Callable[[], str], now_s: int
) -> Revocation:
    """Revoke it; WhichhopError, and nothing is changed. word: asks for the owner's word. now_s: UTC."""
    check_revocable(home_file, agent)
    owner = read_owner(home_file)
    assert owner is not None  # noqa: S101 - looked at just now
    now = in_force(home_file, key_file)
    if not is_owners(now.epoch, owner):
        raise KeyFileError(
            f"{home_file}: what is said of revoked agents is not signed by the owner; copy it again"
        )
    path = known_agents_path(home_file)
    known = dict(read_known(path).certificates)
    certificate = known.pop(agent, None)
    key = "" if certificate is None else public_key_of(certificate)
    epoch, home_key = next_epoch(
        now.epoch, Revoked(agent=agent, key=key, at_s=now_s), unsealed(owner, word())
    )
    others = [n.name for n in read_home(home_file).agents if n.name != agent]
    put_in_force(epoch, home_key, home_file, key_file, None)
    write_known(path, KnownAgents(certificates=known))
    return Revocation(
        agent=agent,
        number=epoch.number,
        left=tuple(n for n in others if n in known),
        unmet=tuple(n for n in others if n not in known),
        key=fingerprint(key) if key else None,
        maker=fingerprint(derive_keys(home_key).maker),
    )
