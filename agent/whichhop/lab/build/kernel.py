"""The few Linux calls that the emulated home needs and Python 3.11 lacks: namespaces, mounts, TAP devices.

pyroute2 has no call for most of them: no namespace without a name on the machine, none of users, processes or
mounts, no death with the parent, and TAP devices only such as outlive whoever made them. What it does have,
links and setns, would cost each home 0.17 s of processor for its import, more than the `ip` calls it saves.
"""

import ctypes
import fcntl
import os
import signal
import socket
import struct
from pathlib import Path

# Numbers of linux/sched.h, linux/prctl.h, linux/mount.h, linux/if_tun.h, linux/ethtool.h, linux/if_packet.h.
CLONE_NEWNS = 0x0002_0000
CLONE_NEWUSER = 0x1000_0000
CLONE_NEWPID = 0x2000_0000
CLONE_NEWNET = 0x4000_0000


_PR_SET_PDEATHSIG = 1
_MS_REC_PRIVATE = 0x4000 | (1 << 18)
_MS_REC_SLAVE = 0x4000 | (1 << 19)
_MS_BIND = 0x1000
_TUNSETIFF = 0x4004_54CA
_IFF_TAP, _IFF_NO_PI = 0x0002, 0x1000
_SIOCETHTOOL = 0x8946
_ETHTOOL_OFF = {"transmit checksum": 0x17, "TCP segmentation": 0x1F, "generic segmentation": 0x24}
_ETHTOOL_SET = 0x02
_MODES = 1 << 3 | 1 << 5
"""100baseT/Full and 1000baseT/Full."""
_ETH_P_ALL = 0x0003
_SOL_PACKET, _PACKET_IGNORE_OUTGOING = 263, 23

_libc = ctypes.CDLL(None, use_errno=True)


def _check(result: int, what: str) -> None:
    if result != 0:
        number = ctypes.get_errno()
        raise OSError(number, f"{what}: {os.strerror(number)}")


def unshare(flags: int) -> None:
    """Leave the shared namespaces named by `flags` for new ones; OSError when refused."""
    _check(_libc.unshare(flags), "unshare")


def set_namespace(fd: int, kind: int = 0) -> None:
    """Enter the namespace of an open descriptor (setns); OSError when refused."""
    _check(_libc.setns(fd, kind), "setns")


def die_with_parent() -> None:
    """Have the kernel kill this process when its parent dies, however the parent dies."""
    _check(_libc.prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0), "prctl")


def mount(kind: str, target: str) -> None:
    """Mount a fresh kernel file system ("proc", "sysfs") on a folder; OSError when refused."""
    _check(_libc.mount(kind.encode(), target.encode(), kind.encode(), 0, None), f"mount {target}")


def mount_over(source: str, target: str) -> None:
    """Show one file in another's place (a bind mount); OSError when refused."""
    _check(_libc.mount(source.encode(), target.encode(), b"none", _MS_BIND, None), f"mount {target}")


def keep_mounts_private(*, follow: bool = False) -> None:
    """Let no mount made here reach the machine; with `follow`, still see those that it makes."""
    flags = _MS_REC_SLAVE if follow else _MS_REC_PRIVATE
    _check(_libc.mount(b"none", b"/", None, flags, None), "mount /")


def become_root_of_own_users(uid: int, gid: int) -> None:
    """Enter a new user namespace in which the caller is root; OSError where the system forbids it."""
    unshare(CLONE_NEWUSER)
    Path("/proc/self/setgroups").write_text("deny")
    Path("/proc/self/uid_map").write_text(f"0 {uid} 1")
    Path("/proc/self/gid_map").write_text(f"0 {gid} 1")


def open_tap(name: str) -> int:
    """A TAP device in the present network namespace, as a descriptor that reads and writes frames."""
    fd = os.open("/dev/net/tun", os.O_RDWR | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        fcntl.ioctl(fd, _TUNSETIFF, struct.pack("16sH22x", name.encode(), _IFF_TAP | _IFF_NO_PI))
    except OSError:
        os.close(fd)
        raise
    return fd


def set_port(device: str, mbit: int) -> None:
    """Have a TAP device tell of a port that agreed on a speed, both ends offering a gigabit; OSError refused.

    struct ethtool_cmd of linux/ethtool.h: what can be, is offered and the other end offers, speed, duplex.
    """
    modes, rest = _MODES, (0,) * 6
    octets = struct.pack("=IIIHBBBBBBIIHBBI8x", _ETHTOOL_SET, modes, modes, mbit, 1, 0, 0, 0, 1, *rest, modes)
    value = ctypes.create_string_buffer(octets)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        request = struct.pack("16sP16x", device.encode(), ctypes.addressof(value))
        fcntl.ioctl(sock.fileno(), _SIOCETHTOOL, request)


def open_frames(device: str) -> int:
    """A packet socket on a device (AF_PACKET): reads what comes in there and writes what goes out."""
    sock = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, 0)
    sock.setsockopt(_SOL_PACKET, _PACKET_IGNORE_OUTGOING, 1)
    sock.bind((device, _ETH_P_ALL))
    return sock.detach()


def send_whole_frames(device: str) -> None:
    """Make a device send frames as they go on a wire: checksums filled in, segments already cut."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        for command in _ETHTOOL_OFF.values():
            value = ctypes.create_string_buffer(struct.pack("II", command, 0))
            request = struct.pack("16sP16x", device.encode(), ctypes.addressof(value))
            fcntl.ioctl(sock.fileno(), _SIOCETHTOOL, request)
