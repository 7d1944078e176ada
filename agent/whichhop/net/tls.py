"""TLS between agents: each shows a certificate of its own, and who asks trusts just that one (RFC 8446).

asyncio is loaded by who needs it: a short child that only asks would spend a third of its time on that.
"""

import os
import socket
import ssl

from whichhop.net.system import HERE

READ_AT_ONCE = 1 << 14
"""A record's plain octets at most (RFC 8446 section 5.1)."""


def server_context(certificate: str, secret: str) -> ssl.SSLContext:
    """For who answers; both PEM. The library reads keys from files only, so they pass through memory ones.

    asyncio sets 256 KiB aside for each connection from its first octet on, which is touched and hardly ever
    given back: 300 begun handshakes took an agent from 32 to 112 MB. One record at a time is enough.
    """
    import asyncio.sslproto  # noqa: PLC0415 - who only asks needs none

    asyncio.sslproto.SSLProtocol.max_size = READ_AT_ONCE
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_3
    show(context, certificate, secret)
    return context


def show(context: ssl.SSLContext, certificate: str, secret: str) -> None:
    """Have a context that is in use show this certificate to whoever comes from now on."""
    if not HERE.memory_file:
        _show_by_file(context, certificate + secret)
        return
    descriptor = os.memfd_create("tls", os.MFD_CLOEXEC)
    with os.fdopen(descriptor, "w") as file:
        file.write(certificate + secret)
        file.flush()
        context.load_cert_chain(f"/proc/self/fd/{descriptor}")


def _show_by_file(context: ssl.SSLContext, pem: str) -> None:
    """The same by a file that nobody else may read, and that is gone at once."""
    import tempfile  # noqa: PLC0415 - half a megabyte with what it needs, on systems that need no file

    with tempfile.TemporaryDirectory() as folder:
        path = os.path.join(folder, "own.pem")  # noqa: PTH118 # a name for the library
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
            file.write(pem)
        context.load_cert_chain(path)


def pinned_context(certificate: str) -> ssl.SSLContext:
    """For who asks: nobody else than the holder of its key is talked to. ValueError: no certificate."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.minimum_version = ssl.TLSVersion.TLSv1_3
    context.check_hostname = False  # it is told by its key; addresses change
    try:
        context.load_verify_locations(cadata=certificate)
    except ssl.SSLError as why:
        raise ValueError(f"no certificate: {why.reason}") from why
    return context


def open_context() -> ssl.SSLContext:
    """For who asks and cannot know the other's key yet: secret from listeners, but whoever answers is taken.

    Only for a talk in which both prove to have something in common that is bound to this very certificate.
    """
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.minimum_version = ssl.TLSVersion.TLSv1_3
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    return context


async def is_held_at(address: str, port: int, certificate: str, seconds: float) -> bool | None:
    """Whether who answers there holds the key of this certificate: a whole handshake, and no word more.

    None where nobody answers.
    """
    import asyncio  # noqa: PLC0415 - whoever waits for this has it

    try:
        async with asyncio.timeout(seconds):
            _, writer = await asyncio.open_connection(address, port, ssl=pinned_context(certificate))
    except (ssl.SSLError, ValueError):
        return False
    except (OSError, TimeoutError):
        return None
    writer.close()
    return True


def holds(address: str, port: int, certificate: str, seconds: float) -> bool | None:
    """The same for who has nothing else to do. seconds: for connecting, and again for the whole handshake."""
    try:
        with socket.create_connection((address, port), seconds) as plain:
            tls = pinned_context(certificate).wrap_socket(plain, do_handshake_on_connect=False)
            with tls:
                tls.do_handshake()  # the time is for the whole of it, however many octets come at a time
                tls.shutdown(socket.SHUT_WR)
    except (ssl.SSLError, ValueError):
        return False
    except OSError:
        return None
    return True
