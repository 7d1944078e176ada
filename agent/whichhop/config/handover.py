"""A checked home and its keys as one line of JSON, written by a short child process for the daemon.

The daemon must stay small and must outlive a broken home file, so pydantic, yaml and cryptography are
loaded only here, in a child that ends: `python -m whichhop.config.handover HOME KEY IDENTITY NODE [OWN]`;
HOME alone prints the names of its agents, a line each.
"""

import sys
from pathlib import Path

import msgspec

from whichhop.config.check import read_home
from whichhop.config.epochs import in_force
from whichhop.config.found_addresses import with_found
from whichhop.config.identity import identity_at, proof_of, public_key_of
from whichhop.config.keys import derive_keys
from whichhop.config.known_agents import known_agents_path, read_known
from whichhop.errors import WhichhopError
from whichhop.model.chain_signature import fingerprint
from whichhop.model.handover import Handover, agents_digest


def prepare(
    home_file: Path, key_file: Path | None, identity_file: Path, node: str, own_address: str | None = None
) -> Handover:
    """What a daemon needs of the files a person keeps; ConfigError or KeyFileError when they are wrong.

    identity_file: where the agent on `node` keeps its own key; made when missing. own_address: this
    machine's, for a node whose address the home file leaves open.
    """
    home = read_home(home_file)
    if node in home.nodes and home.nodes[node].moves:
        if own_address is None:
            raise WhichhopError(
                "this machine has no address yet, and the home file gives it none; connect it"
            )
        home = with_found(home, {node: own_address})
    now = in_force(home_file, key_file, identity_file)
    keys = derive_keys(now.key)
    own = identity_at(identity_file, node)
    said = {
        "agent": node,
        "certificate": own.certificate,
        "fingerprint": fingerprint(own.public_key),
        "proof": proof_of(keys.identity, node, own.certificate),
        "epoch": now.epoch.number,
        "agents": agents_digest(n.name for n in home.agents),
    }
    revoked = {one.key for one in now.epoch.revoked}
    met = read_known(known_agents_path(home_file)).certificates
    known = {name: its for name, its in met.items() if public_key_of(its) not in revoked}
    return Handover(
        home=home,
        api_token=keys.api_token,
        stamp_key=keys.stamp.hex(),
        transfer_key=keys.transfer.hex(),
        certificate=own.certificate,
        secret=own.secret,
        page_password="" if home.page_open else keys.page_password,
        identity=msgspec.json.encode(said).decode(),
        maker=fingerprint(keys.maker),
        own_key=fingerprint(own.public_key),
        known=known,
        epoch=now.epoch.number,
        known_keys={fingerprint(public_key_of(its)): name for name, its in known.items()},
    )


def main(words: list[str]) -> int:
    """Print the handover or the agents, or complaints on stderr with exit code 2; words as above."""
    try:
        if len(words) == 1:
            sys.stdout.write("".join(f"{node.name}\n" for node in read_home(Path(words[0])).agents))
            return 0
        home_file, key_file, identity_file, node, *own = words
        key = Path(key_file) if key_file else None
        line = msgspec.json.encode(
            prepare(Path(home_file), key, Path(identity_file), node, own[0] if own else None)
        )
    except WhichhopError as trouble:
        sys.stderr.write(f"{trouble}\n")
        return 2
    sys.stdout.buffer.write(line)
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
