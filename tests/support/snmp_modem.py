"""Runs a real SNMP agent that answers as a cable modem, from tables that can be changed while it runs."""

import os
import shutil
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

from support import pass_through
from support.modem_tables import ModemState, modem_tables
from whichhop.errors import SystemRefusedError

_SYSTEM_FOLDERS = ":/usr/sbin:/sbin"
ROOTS = (".1.3.6.1.2.1.10.127", ".1.3.6.1.4.1.4491", ".1.3.6.1.2.1.10.251", ".1.3.6.1.2.1.10.94")
"""What the emulated modem answers for: a cable modem's objects, and a DSL modem's."""


class SnmpModem:
    """An emulated modem on an address and port of our own; a context manager that ends what it started.

    folder: where its files stand, empty and writable. inside: words before the command, to start it in a
    network namespace, say.
    """

    def __init__(
        self,
        state: ModemState,
        folder: Path,
        *,
        address: str = "127.0.0.1",
        port: int = 1161,
        community: str = "alder",
        inside: Sequence[str] = (),
    ) -> None:
        program = shutil.which("snmpd", path=os.environ.get("PATH", "") + _SYSTEM_FOLDERS)
        if program is None:
            raise SystemRefusedError("the emulated modem needs the program snmpd; run deploy/setup tests")
        self._folder = folder
        self._table = folder / "table.json"
        self._agent: subprocess.Popen[bytes] | None = None
        conf = folder / "snmpd.conf"
        helper = f"{sys.executable} {pass_through.__file__} {self._table}"
        lines = [
            f"agentaddress udp:{address}:{port}",
            f"rocommunity {community}",
            "dontLogTCPWrappersConnects yes",
            *(f"pass_persist {root} {helper}" for root in ROOTS),
        ]
        conf.write_text("\n".join(lines) + "\n")
        self._command = [*inside, program, "-f", "-Lf", str(folder / "log"), "-C", "-c", str(conf)]
        self.show(state)

    def show(self, state: ModemState) -> None:
        """From now on the modem says this."""
        self.show_table(modem_tables(state))

    def show_table(self, table: Mapping[tuple[int, ...], tuple[str, int]]) -> None:
        """From now on it answers these objects, each with its type's name in the pass-through protocol."""
        pass_through.write_table(self._table, dict(table))

    def __enter__(self) -> Self:
        (self._folder / "persist").mkdir(exist_ok=True)
        self._agent = subprocess.Popen(  # our own command, no shell
            self._command,
            env={**os.environ, "SNMP_PERSISTENT_DIR": str(self._folder / "persist")},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._agent is not None:
            self._agent.terminate()
            try:
                self._agent.wait(5)
            except subprocess.TimeoutExpired:
                self._agent.kill()
                self._agent.wait()
            self._agent = None
