"""Gets the home's new key from another agent after a revocation; and hands it to an agent that asks for it.

Who asks signs, with the key that its agent had when it was met, whom it is talking to; who is asked hears it
in TLS, and answers only an agent that it has met and that is not revoked. What is answered counts only with
the signature of the home's owner. Run as short children of the daemon:

    python -m whichhop.app.agents.epoch_learning learn HOME KEY IDENTITY NODE FROM ADDRESS
    python -m whichhop.app.agents.epoch_learning hand-out HOME KEY IDENTITY AGENT SIGNATURE

Neither reads the home file: on a small or busy box that alone would take longer than all the rest.
"""

import sys
from pathlib import Path
from urllib.parse import urlencode

import msgspec

from whichhop.config.epochs import (
    Epoch,
    Owner,
    in_force,
    is_owners,
    key_digest,
    owner_path,
    owner_text,
    put_in_force,
    read_owner,
)
from whichhop.config.files import WriteError, write_new
from whichhop.config.identity import is_signed, public_key_of, signing_key
from whichhop.config.keys import key_of_text, key_text
from whichhop.config.known_agents import known_agents_path, read_known
from whichhop.errors import RemoteError, WhichhopError
from whichhop.net.http_client import fetch
from whichhop.net.tls import pinned_context
from whichhop.outside import typed

MOST_S = 60.0
MOST_OCTETS = 512 * 1024
_ASKS = b"whichhop asks for the epoch 1\0"


class Answer(msgspec.Struct, frozen=True, kw_only=True):
    """key: in base64, as its file has it."""

    epoch: Epoch
    key: str
    owner: Owner


def asked(public_key: str, agent: str) -> bytes:
    """What an agent signs when it asks the holder of a key (hexadecimal): good for nobody else."""
    return _ASKS + bytes.fromhex(public_key) + agent.encode()


def hand_out(home_file: Path, key_file: Path | None, identity: Path, agent: str, signature: str) -> Answer:
    """The key and the statement for an agent; WhichhopError where it may not have them."""
    now = in_force(home_file, key_file, identity)
    owner = read_owner(home_file) or read_owner(identity)
    certificate = read_known(known_agents_path(home_file)).certificates.get(agent)
    if certificate is None:
        raise RemoteError(f"{agent} was never met here and cannot be told from a stranger; invite it again")
    if public_key_of(certificate) in {one.key for one in now.epoch.revoked}:
        raise RemoteError(f"{agent} is revoked")
    own = signing_key(identity).public_key().public_bytes_raw().hex()
    if not is_signed(certificate, signature, asked(own, agent)):
        raise RemoteError(f"who asks does not hold the key of {agent}")
    if owner is None:
        raise RemoteError("this home has no owner, so no key was ever made again")
    return Answer(epoch=now.epoch, key=key_text(now.key), owner=owner)


def learn(  # noqa: PLR0917 # its files, who asks and who is asked
    home_file: Path, key_file: Path | None, identity: Path, node: str, other: str, base: str
) -> tuple[Epoch, Path]:
    """The newer statement that another agent has, and where it is kept now; WhichhopError where it has none.

    base: where the other one answers in TLS.

    Nothing is changed unless the owner signed it, it is newer, and the key is the one that it names.
    """
    now = in_force(home_file, key_file, identity)
    certificate = read_known(known_agents_path(home_file)).certificates.get(other)
    if certificate is None:
        raise RemoteError(f"{other} was never met here, so its word on a new key is not taken; join again")
    signature = signing_key(identity).sign(asked(public_key_of(certificate), node)).hex()
    url = f"{base}/epoch?{urlencode({'agent': node, 'signature': signature})}"
    body = fetch(url, seconds=MOST_S, most_bytes=MOST_OCTETS, tls=pinned_context(certificate))
    answer = typed(body, base, Answer, most=MOST_OCTETS)
    owner = read_owner(home_file) or read_owner(identity)
    key = key_of_text(answer.key, base)
    if answer.epoch.number <= now.epoch.number:
        raise RemoteError(f"{base}: its key is not newer than the one here")
    if not is_owners(answer.epoch, owner or answer.owner) or key_digest(key) != answer.epoch.key_digest:
        raise RemoteError(f"{base}: its new key is not signed by this home's owner; it was not taken")
    if owner is None:
        try:
            write_new(owner_path(home_file), owner_text(answer.owner), 0o600)
        except WriteError:  # a unit that may write beside its records alone
            write_new(owner_path(identity), owner_text(answer.owner), 0o600)
    return answer.epoch, put_in_force(answer.epoch, key, home_file, key_file, identity)


def main(words: list[str]) -> int:
    """What was learned or is handed out, JSON; complaints on stderr with exit code 2."""
    act, home_file, key, identity, name, *rest = words
    key_file = Path(key) if key else None
    try:
        if act == "learn":
            epoch, kept = learn(Path(home_file), key_file, Path(identity), name, *rest)
            told = {"number": epoch.number, "revoked": [r.agent for r in epoch.revoked], "kept": str(kept)}
            sys.stdout.buffer.write(msgspec.json.encode(told))
        else:
            answer = hand_out(Path(home_file), key_file, Path(identity), name, *rest)
            sys.stdout.buffer.write(msgspec.json.encode(answer))
    except WhichhopError as trouble:
        sys.stderr.write(f"{trouble}\n")
        return 2
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
