"""The holder: a process that holds an emulated home's namespaces and runs everything in them.

Started as `python -m whichhop.lab.build.holder REQUESTS_FD RELAY_FD FOLDER`. It is two processes: a small
outer one, and the first process of a process namespace of its own, which answers JSON lines. The kernel kills
all of a process namespace when its first process ends, and every network namespace goes with the last process
in it, so nothing can be left running or configured, however either ends. When the requests' socket closes,
because the owner closed it or died, the home ends.
"""

import contextlib
import errno
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from whichhop.lab.build import kernel

TOOL_PATHS = ":/usr/sbin:/sbin"
TOOL_SECONDS = 20.0
HOSTS = "/etc/hosts"


class HolderRefused(Exception):  # noqa: N818
    """A request that could not be done; its text travels to the owner."""


class Holder:
    """What the inner process knows: its namespaces, devices and children."""

    def __init__(self, relay_fd: int, folder: Path, *, own_users: bool) -> None:
        self.relay_fd = relay_fd
        self.folder = folder
        self.own_users = own_users
        self.spaces: dict[str, int] = {}
        self.home_space = os.open("/proc/self/ns/net", os.O_RDONLY | os.O_CLOEXEC)
        self.ports: dict[str, tuple[int, int]] = {}
        self.frames = 0
        self.children: dict[int, subprocess.Popen[bytes]] = {}

    # --- requests -------------------------------------------------------------------------------------

    def make_nodes(self, names: list[str]) -> dict[str, int]:
        """One network namespace per node; answers the descriptors that hold them."""
        for name in names:
            kernel.unshare(kernel.CLONE_NEWNET)
            self.spaces[name] = os.open("/proc/self/ns/net", os.O_RDONLY | os.O_CLOEXEC)
        kernel.set_namespace(self.home_space, kernel.CLONE_NEWNET)
        return self.spaces

    def name_hosts(self, names: dict[str, str]) -> None:
        """Have every program of the home find these host names at these addresses (hosts(5))."""
        file = self.folder / "hosts"
        rows = [f"{address} {name}" for name, address in names.items()]
        file.write_text("\n".join(["127.0.0.1 localhost", "::1 localhost", *rows, ""]))
        try:
            kernel.mount_over(str(file), HOSTS)
        except OSError as trouble:
            raise HolderRefused(f"host names cannot be given addresses: {trouble}") from None

    def set_sysctls(self, node: str, values: list[list[str]]) -> None:
        """Write kernel settings of one namespace; those this kernel lacks are passed over."""
        with self._inside(node):
            for name, value in values:
                path = Path("/proc/sys", name)
                # A user namespace of its own may only name groups that it maps.
                fitting = "0 0" if self.own_users and name.endswith("ping_group_range") else value
                if path.exists():
                    path.write_text(fitting)

    def make_wire(self, name: str, near: list[str], far: list[str], relay: bool) -> str:
        """The devices of one link; answers how: "veth", "tap", or "frames" where TAP is refused."""
        if not relay:
            self._veth(near[0], near[1], far[0], far[1])
            for node, device in (near, far):
                self._tool(node, ["ip", "link", "set", "dev", device, "gso_max_segs", "1"])
            return "veth"
        try:
            with self._inside(near[0]):
                near_fd = kernel.open_tap(near[1])
            with self._inside(far[0]):
                far_fd = kernel.open_tap(far[1])
        except OSError:
            near_fd, far_fd = self._frames(*near), self._frames(*far)
            self.ports[name] = near_fd, far_fd
            return "frames"
        self.ports[name] = near_fd, far_fd
        return "tap"

    def run_tool(self, node: str, argv: list[str], text: str = "") -> str:
        """Run ip, tc or nft in a node to its end; answers what it printed."""
        return self._tool(node, argv, text)

    def set_port(self, node: str, device: str, mbit: int) -> None:
        """Have a port tell that it runs at a speed; where TAP is refused none can."""
        with self._inside(node), contextlib.suppress(OSError):
            kernel.set_port(device, mbit)

    def start_relay(self, seed: int) -> None:
        """Start the relay on all devices made so far; it then talks to the owner by itself."""
        links = [{"name": n, "near_fd": a, "far_fd": b} for n, (a, b) in self.ports.items()]
        fds = [fd for pair in self.ports.values() for fd in pair]
        setup = json.dumps({"seed": seed, "links": links})
        self._spawn(
            [sys.executable, "-m", "whichhop.lab.links.relay", str(self.relay_fd), setup],
            pass_fds=[self.relay_fd, *fds],
            log="relay.log",
        )
        # The relay alone holds them now: when it dies, the links are down, and that is seen.
        for fd in [self.relay_fd, *fds]:
            os.close(fd)

    def start(
        self, node: str | None, argv: list[str], env: dict[str, str] | None, cwd: str | None, log: str
    ) -> int:
        """Start a program in a node (None: beside all nodes, with every namespace's descriptor)."""
        return self._spawn(
            argv,
            node=node,
            env=env,
            cwd=cwd,
            log=log,
            pass_fds=list(self.spaces.values()) if node is None else [],
        )

    def poll(self, pid: int) -> int | None:
        """A child's exit code, negative for a signal; None while it runs."""
        child = self.children.get(pid)
        if child is None:
            raise HolderRefused(f"no process {pid} was started here")
        return child.poll()

    def send_signal(self, pid: int, number: int) -> None:
        """Signal a child and whatever it started in its session."""
        with contextlib.suppress(ProcessLookupError):
            os.killpg(pid, number)

    # --- how ------------------------------------------------------------------------------------------

    @contextlib.contextmanager
    def _inside(self, node: str) -> Iterator[None]:
        kernel.set_namespace(self.spaces[node], kernel.CLONE_NEWNET)
        try:
            yield
        finally:
            kernel.set_namespace(self.home_space, kernel.CLONE_NEWNET)

    def _veth(self, node: str, device: str, other: str, peer: str) -> None:
        fd = self.spaces[other]
        argv = ["ip", "link", "add", "dev", device, "type", "veth", "peer", "name", peer]
        self._tool(node, [*argv, "netns", f"/proc/self/fd/{fd}"], pass_fds=[fd])

    def _frames(self, node: str, device: str) -> int:
        """A veth pair whose other end, in a namespace of its own, is read and written by a packet socket."""
        if "" not in self.spaces:
            kernel.unshare(kernel.CLONE_NEWNET)
            self.spaces[""] = os.open("/proc/self/ns/net", os.O_RDONLY | os.O_CLOEXEC)
            kernel.set_namespace(self.home_space, kernel.CLONE_NEWNET)
        self.frames += 1
        peer = f"relay{self.frames}"
        self._veth(node, device, "", peer)
        with self._inside(node):
            kernel.send_whole_frames(device)
        self._tool("", ["ip", "link", "set", "dev", peer, "up"])
        with self._inside(""):
            return kernel.open_frames(peer)

    def _tool(self, node: str, argv: list[str], text: str = "", pass_fds: list[int] | None = None) -> str:
        space = self.spaces[node]
        path = os.environ.get("PATH", "") + TOOL_PATHS
        try:
            done = subprocess.run(  # noqa: S603
                argv,
                input=text,
                text=True,
                capture_output=True,
                check=False,
                timeout=TOOL_SECONDS,
                env={"PATH": path, "LC_ALL": "C"},
                pass_fds=pass_fds or (),
                preexec_fn=lambda: kernel.set_namespace(space, kernel.CLONE_NEWNET),
            )
        except FileNotFoundError:
            raise HolderRefused(
                f"the program {argv[0]} is missing; install it (packages iproute2, nftables)"
            ) from None
        except subprocess.TimeoutExpired:
            raise HolderRefused(f"{' '.join(argv)} in {node} did not end in {TOOL_SECONDS:.0f} s") from None
        if done.returncode != 0:
            said = " ".join(done.stderr.split()) or f"exit code {done.returncode}"
            raise HolderRefused(f"{' '.join(argv)} in {node}: {said}")
        return done.stdout

    def _spawn(
        self,
        argv: list[str],
        *,
        log: str,
        node: str | None = None,
        env: dict[str, str] | None = None,
        cwd: str | None = None,
        pass_fds: list[int],
    ) -> int:
        space = None if node is None else self.spaces[node]

        def enter() -> None:
            if space is not None:
                kernel.set_namespace(space, kernel.CLONE_NEWNET)
                kernel.unshare(kernel.CLONE_NEWNS)
                kernel.keep_mounts_private(follow=True)
                # /sys shows the devices of the namespace it was mounted in.
                with contextlib.suppress(OSError):
                    kernel.mount("sysfs", "/sys")

        with (self.folder / log).open("ab") as out:
            try:
                child = subprocess.Popen(  # noqa: S603
                    argv,
                    stdin=subprocess.DEVNULL,
                    stdout=out,
                    stderr=subprocess.STDOUT,
                    env=env,
                    cwd=cwd,
                    pass_fds=pass_fds,
                    start_new_session=True,
                    preexec_fn=enter,  # noqa: PLW1509
                )
            except OSError as trouble:
                raise HolderRefused(f"{argv[0]}: {trouble.strerror}") from None
        self.children[child.pid] = child
        return child.pid


def serve(holder: Holder, requests: socket.socket) -> None:
    """Answer requests, one line each, until the owner is gone."""
    does: dict[str, Callable[..., Any]] = {
        "make_nodes": holder.make_nodes,
        "name_hosts": holder.name_hosts,
        "set_sysctls": holder.set_sysctls,
        "make_wire": holder.make_wire,
        "set_port": holder.set_port,
        "run_tool": holder.run_tool,
        "start_relay": holder.start_relay,
        "start": holder.start,
        "poll": holder.poll,
        "send_signal": holder.send_signal,
    }
    with requests, requests.makefile("rb") as lines:
        for line in lines:
            order = json.loads(line)
            try:
                reply = {"did": does[order.pop("do")](**order)}
            except (HolderRefused, OSError) as trouble:
                reply = {"refused": str(trouble)}
            try:
                requests.sendall(json.dumps(reply).encode() + b"\n")
            except OSError:
                return


def first_process(requests: socket.socket, relay_fd: int, folder: Path, *, own_users: bool) -> int:
    """Process 1 of the home: the end of this function is the end of everything in the home."""
    kernel.die_with_parent()
    for number in (signal.SIGINT, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    kernel.keep_mounts_private()
    with contextlib.suppress(OSError):
        kernel.mount("proc", "/proc")
    serve(Holder(relay_fd, folder, own_users=own_users), requests)
    return 0


def enter_own_world(uid: int, gid: int) -> bool:
    """Leave the machine's mounts and processes; True when a user namespace of its own was needed for it."""
    try:
        kernel.unshare(kernel.CLONE_NEWNS | kernel.CLONE_NEWPID | kernel.CLONE_NEWNET)
    except PermissionError:
        kernel.become_root_of_own_users(uid, gid)
        kernel.unshare(kernel.CLONE_NEWNS | kernel.CLONE_NEWPID | kernel.CLONE_NEWNET)
        return True
    return False


def main() -> int:
    """The outer process: make the world, start its first process, wait, remove the folder."""
    requests = socket.socket(fileno=int(sys.argv[1]))
    relay_fd, folder = int(sys.argv[2]), Path(sys.argv[3])
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        own_users = enter_own_world(os.geteuid(), os.getegid())
    except OSError as trouble:
        # user_namespaces(7): the kernel says ENOSPC where a limit of namespaces is reached.
        full = trouble.errno == errno.ENOSPC
        why = "unshare: the limit of namespaces is reached" if full else trouble.strerror
        requests.sendall(json.dumps({"refused": why}).encode() + b"\n")
        return 1
    inner = os.fork()
    if inner == 0:
        code = 1
        try:
            code = first_process(requests, relay_fd, folder, own_users=own_users)
        finally:
            os._exit(code)
    signal.signal(signal.SIGTERM, lambda *_: os.kill(inner, signal.SIGKILL))
    about = {"inner": inner, "own_users": own_users}
    requests.sendall(json.dumps({"did": about}).encode() + b"\n")
    requests.close()
    os.close(relay_fd)
    _, status = os.waitpid(inner, 0)
    shutil.rmtree(folder, ignore_errors=True)
    return os.waitstatus_to_exitcode(status) and 1


if __name__ == "__main__":
    raise SystemExit(main())
