"""An agent as a service of the system: unit, folders and key laid down, started, stopped and taken away."""

import re
import shlex
import shutil
from collections.abc import Callable, Sequence
from importlib.resources import files
from pathlib import Path

from msgspec import Struct

from whichhop.app.agents.service_secrets import content_of, credentials_text, secrets_of, unreachable
from whichhop.config.check import read_home
from whichhop.config.epochs import epoch_path, in_force, is_owners, owner_path, read_epoch, read_owner
from whichhop.config.keys import key_path_for, read_key
from whichhop.config.known_agents import known_agents_path
from whichhop.errors import SystemRefusedError, WhichhopError

UNIT = "whichhop@.service"
LEAST_SYSTEMD = 250
"""The first version with %d, the folder of credentials, in a unit (systemd.unit(5))."""
PROGRAM = "/opt/whichhop/bin/whichhop"
"""Where the unit as shipped has its program."""
CLOSED = ("home", "root", "run/user")
"""Folders that the unit's ProtectHome= hides (systemd.exec(5))."""
IN_A_PLACE_FOR_ALL = (
    "python3 -m venv /opt/whichhop && /opt/whichhop/bin/pip install CHECKOUT, then"
    " /opt/whichhop/bin/whichhop service install ..."
)


class Ran(Struct, frozen=True, kw_only=True):
    """What a program of the system answered."""

    code: int
    out: str


Run = Callable[[Sequence[str]], Ran]


class Machine(Struct, frozen=True, kw_only=True):
    """The system that the service runs on.

    root: where its files are, "/" but in tests. run: runs a command. administrator: may write there.
    platform: as sys.platform has it. program: the whichhop that is to be started.
    """

    root: Path
    run: Run
    administrator: bool
    platform: str
    program: Path

    @property
    def etc(self) -> Path:
        """Where home file and key are."""
        return self.root / "etc" / "whichhop"

    @property
    def units(self) -> Path:
        """Where an administrator's units are (systemd.unit(5))."""
        return self.root / "etc" / "systemd" / "system"

    @property
    def has_systemd(self) -> bool:
        """Whether systemd runs this system, as sd_booted(3) finds out."""
        return (self.root / "run" / "systemd" / "system").is_dir()


def by_hand(machine: Machine, home: Path, node: str) -> list[str]:
    """What to do where no systemd is: the command to be run at each start, and by what means."""
    command = shlex.join([str(machine.program), "run", str(home.absolute()), "--node", node])
    means = {
        "darwin": "a launchd job of the administrator's (a .plist in /Library/LaunchDaemons with RunAtLoad"
        " and KeepAlive; see launchd.plist(5))",
        "win32": "a task of the Task Scheduler that runs at system start, whether a user is logged on or not",
    }.get(
        machine.platform,
        "your init's own means (an OpenRC or runit service, or a line `@reboot` of crontab(5))",
    )
    return [
        "No systemd runs this system, so there is no unit to install.",
        f"Have this command run at each start by {means}:",
        f"  {command}",
        "It ends at SIGTERM with everything stored, and reads a changed home file at SIGHUP.",
    ]


def instances(machine: Machine) -> list[str]:
    """The nodes whose agents start with this system."""
    wanted = (machine.units / "multi-user.target.wants").glob("whichhop@*.service")
    return sorted(path.name.removeprefix("whichhop@").removesuffix(".service") for path in wanted)


def _systemctl(machine: Machine, *words: str) -> str:
    done = machine.run(["systemctl", *words])
    if done.code != 0:
        last = (done.out.strip().splitlines() or ["it said nothing"])[-1]
        raise SystemRefusedError(f"systemctl {' '.join(words)}: {last}; see journalctl -u 'whichhop@*'")
    return done.out


def _ready(machine: Machine) -> None:
    if not machine.administrator:
        raise SystemRefusedError("only the administrator may do this: put sudo before the command")
    found = re.match(r"systemd (\d+)", machine.run(["systemctl", "--version"]).out)
    if found is None or int(found[1]) < LEAST_SYSTEMD:
        version = found[1] if found else "an unknown version"
        raise SystemRefusedError(
            f"this system has systemd {version}, and the unit needs {LEAST_SYSTEMD}; use the container"
            " (deploy/Containerfile), or run the agent by another means"
        )
    inside = machine.program.resolve()
    for folder in CLOSED:
        if inside.is_relative_to((machine.root / folder).resolve()):
            raise SystemRefusedError(
                f"{inside} is in a user's own folder, where no service may look; install it for all:"
                f" {IN_A_PLACE_FOR_ALL}"
            )


def unit_text(machine: Machine) -> str:
    """The unit as shipped, with this installation's program."""
    text = (files("whichhop.app.agents") / UNIT).read_text(encoding="utf-8")
    return text.replace(PROGRAM, str(machine.program))


def _compare_text(machine: Machine) -> str:
    (start,) = re.findall(r"^ExecStart=(.*)$", unit_text(machine), re.M)
    return f"[Service]\nExecStart=\nExecStart={start} --compare\nMemoryMax=1G\n"


def _lay(path: Path, octets: bytes, mode: int) -> None:
    """Write a file whole, with its mode from the first moment on."""
    beside = path.with_name(path.name + ".new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        beside.unlink(missing_ok=True)
        beside.touch(mode=0o600)
        beside.write_bytes(octets)
        beside.chmod(mode)
        beside.replace(path)
    except OSError as why:
        raise SystemRefusedError(f"{path}: cannot be written ({why.strerror}); check the folder") from why


def _part(machine: Machine, node: str, name: str, text: str) -> None:
    """Lay down a part of one node's unit, or take it away where it says nothing."""
    path = machine.units / f"whichhop@{node}.service.d" / name
    if text:
        _lay(path, text.encode(), 0o644)
    else:
        path.unlink(missing_ok=True)


BESIDE = (owner_path, epoch_path, known_agents_path)
"""What an agent needs to take a new key over, beside home file and key: without the owner it believes nobody.

All of it is public but the owner's secret half, which is sealed by a word of 100 random bits; the unit's
user, who has no name yet, must be able to read it.
"""


def check_node(home: Path, node: str) -> None:
    """WhichhopError unless an agent of this home file runs on that node."""
    runs = [n.name for n in read_home(home).nodes.values() if n.has_key]
    if node not in runs:
        raise WhichhopError(f"{home}: no agent runs on {node!r}; agents run on: {', '.join(runs)}")


def _must_be_newer(home: Path, there: Path) -> None:
    """WhichhopError unless this is the home that is installed, with the key that a revocation made since."""
    owner, epoch = read_owner(home), in_force(home, None).epoch
    if owner is None or owner != read_owner(there) or not is_owners(epoch, owner):
        raise WhichhopError(
            f"{key_path_for(there)}: another home's key is there; remove the agents of that home first"
            " (whichhop service remove), then this file"
        )
    if epoch.number <= read_epoch(epoch_path(there)).number:
        raise WhichhopError(
            f"{key_path_for(home)}: is older than the installed one: an agent was revoked since; copy"
            f" {there.with_suffix('.*')} over it first"
        )


def install(machine: Machine, home: Path, node: str, *, compare: bool) -> list[str]:
    """Lay down unit, home file and key, and start the agent now and with the system. Says what was done.

    Done again it brings all of it up to date and restarts the agent: this is how an upgrade is taken over.
    """
    check_node(home, node)
    key = key_path_for(home)
    read_key(key)
    _ready(machine)
    secrets = {secret: content_of(secret) for secret in secrets_of(home)}
    held = {secret: octets for secret, octets in secrets.items() if octets is not None}
    there, etc_home = machine.etc / "home.key", machine.etc / "home.yaml"
    if there.exists() and there.read_bytes() != key.read_bytes():
        _must_be_newer(home, etc_home)
    _lay(etc_home, home.read_bytes(), 0o644)
    for path_of in BESIDE:
        if path_of(home).exists():
            _lay(path_of(etc_home), path_of(home).read_bytes(), 0o644)
    _lay(there, key.read_bytes(), 0o600)
    _lay(machine.units / UNIT, unit_text(machine).encode(), 0o644)
    for secret, octets in held.items():
        _lay(machine.etc / secret.path.name, octets, 0o600)
    names = sorted({secret.path.name for secret in held})
    _part(machine, node, "compare.conf", _compare_text(machine) if compare else "")
    _part(machine, node, "secrets.conf", credentials_text(names))
    again = node in instances(machine)
    _systemctl(machine, "daemon-reload")
    _systemctl(machine, "enable", f"whichhop@{node}.service")
    _systemctl(machine, "restart", f"whichhop@{node}.service")
    return [
        f"the agent of {node} " + ("was brought up to date" if again else "runs now and at each start"),
        f"home file: {machine.etc / 'home.yaml'} (after a change of it: systemctl reload whichhop@{node})",
        f"key: {there}, readable by root alone; the agent gets it from systemd as a credential",
        *([f"so it gets: {', '.join(names)} (after a change of one: install again)"] if names else []),
        *(
            f"{secret.key}: no {secret.path} on this machine; if this agent is to use it, put it there and"
            " install again"
            for secret in secrets
            if secret not in held
        ),
        *unreachable(home, machine.root, CLOSED),
        "records: /var/lib/whichhop (they stay through upgrade and removal)",
        f"its words: journalctl -u whichhop@{node}",
    ]


def _named(machine: Machine, node: str | None) -> list[str]:
    found = instances(machine)
    if node is not None and node not in found:
        there = f"; installed: {', '.join(found)}" if found else ""
        raise WhichhopError(f"no agent of {node!r} is installed here{there}")
    if not found:
        raise WhichhopError("no agent is installed here; whichhop service install HOME --node NAME")
    return found if node is None else [node]


def switch(machine: Machine, verb: str, node: str | None) -> list[str]:
    """Start or stop the agent of a node, or all that are installed."""
    _ready(machine)
    nodes = _named(machine, node)
    for one in nodes:
        _systemctl(machine, verb, f"whichhop@{one}.service")
    return [f"{one}: {'started' if verb == 'start' else 'stopped'}" for one in nodes]


def remove(machine: Machine, node: str | None) -> list[str]:
    """Stop the agent and take its unit away; home file, key and records stay."""
    _ready(machine)
    said = []
    for one in _named(machine, node):
        _systemctl(machine, "disable", "--now", f"whichhop@{one}.service")
        shutil.rmtree(machine.units / f"whichhop@{one}.service.d", ignore_errors=True)
        # What systemctl does, once more: a unit that is gone must not be found again as installed.
        link = machine.units / "multi-user.target.wants" / f"whichhop@{one}.service"
        link.unlink(missing_ok=True)
        said.append(f"{one}: stopped, and no longer started with the system")
    if not instances(machine):
        (machine.units / UNIT).unlink(missing_ok=True)
        said.append(
            f"home file and key stay in {machine.etc}, records in /var/lib/whichhop: remove them by hand"
        )
    _systemctl(machine, "daemon-reload")
    return said


class State(Struct, frozen=True, kw_only=True):
    """How an installed agent is: systemd's own words."""

    node: str
    active: str
    enabled: str


def status(machine: Machine, node: str | None) -> list[State]:
    """How each installed agent is; needs no rights."""

    def word(verb: str, one: str) -> str:
        return (machine.run(["systemctl", verb, f"whichhop@{one}.service"]).out.split() or ["unknown"])[0]

    return [
        State(node=one, active=word("is-active", one), enabled=word("is-enabled", one))
        for one in _named(machine, node)
    ]
