"""SNMPv3 with authentication and privacy, asked of a real agent (net-snmp's snmpd) on loopback.

Sources: RFC 3414 (users, reports), RFC 7860 (HMAC-SHA-2), RFC 3826 (AES-128).
"""

import asyncio
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest

from support.need import need_program
from support.ports import free_udp_port
from whichhop.errors import RemoteError
from whichhop.model.levels_source import CounterSource, LevelsSource
from whichhop.net.clock import sleep_s
from whichhop.probes.device_talk import CountersRequest, LevelsRequest
from whichhop.probes.snmp_walk import SnmpTarget
from whichhop.wire import mibs

pytestmark = [pytest.mark.slow, pytest.mark.waits]

AUTH, PRIV = "stone bridge road", "willow by the mill"
USERS = {"reader": ("SHA-256", "AES"), "old": ("SHA", "AES"), "long": ("SHA-512", "AES-256")}
CHANGES = {"auth_by: sha-1": "old", "auth_by: sha-512\npriv_by: aes-256": "long"}


@pytest.fixture(scope="module")
def port(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    folder, port = tmp_path_factory.mktemp("snmp"), free_udp_port()
    conf = folder / "snmpd.conf"
    lines = [f"agentaddress udp:127.0.0.1:{port}"]
    for name, (auth_by, priv_by) in USERS.items():
        lines += [f'createUser {name} {auth_by} "{AUTH}" {priv_by} "{PRIV}"', f"rouser {name} authpriv"]
    lines += [f'createUser bare SHA-256 "{AUTH}"', "rouser bare auth"]
    lines += [f'createUser shut SHA-256 "{AUTH}" AES "{PRIV}"']
    conf.write_text("\n".join([*lines, ""]))
    argv = [need_program("snmpd"), "-f", "-Lf", str(folder / "log"), "-C", "-c", str(conf)]
    env = {**os.environ, "SNMP_PERSISTENT_DIR": str(folder)}
    with subprocess.Popen(argv, env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as running:
        sleep_s(1.0)
        yield port
        running.terminate()


def walked(port: int, file: Path, text: str) -> dict[tuple[int, ...], str]:
    file.write_text(text)
    file.chmod(0o600)

    async def run() -> dict[tuple[int, ...], str]:
        target = SnmpTarget("127.0.0.1", port, "", 1.5, user_file=str(file))
        try:
            return await target.walk_texts(mibs.NAMES)
        finally:
            target.close()

    return asyncio.run(run())


def lines(user: str = "reader", auth: str = AUTH, priv: str = PRIV, more: str = "") -> str:
    return f"user: {user}\nauth: {auth}\npriv: {priv}\n{more}\n"


@pytest.mark.parametrize(("more", "user"), [("", "reader"), *CHANGES.items()])
def test_a_user_reads_what_a_community_would(port: int, tmp_path: Path, more: str, user: str) -> None:
    assert "lo" in walked(port, tmp_path / "u", lines(user, more=more)).values()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (lines(user="nobody"), "does not know the user 'nobody' (usmStatsUnknownUserNames); check user in "),
        (
            lines(auth="another road"),
            "the signature of 'reader' (usmStatsWrongDigests); check auth and auth_by",
        ),
        (lines(more="auth_by: sha-512"), "(usmStatsWrongDigests); check auth and auth_by (sha-512)"),
        (
            lines(priv="another mill"),
            "drops what 'reader' encrypts, though it knows the user; check priv and priv_by (aes-128)",
        ),
        (lines(user="bare"), "has no privacy for 'bare' (usmStatsUnsupportedSecLevels)"),
        (lines(user="shut"), "reading below 1.3.6.1.2.1"),
    ],
)
def test_each_wrong_credential_is_one_line_that_names_it(
    port: int, tmp_path: Path, text: str, says: str
) -> None:
    with pytest.raises(RemoteError) as caught:
        walked(port, tmp_path / "u", text)
    told = str(caught.value)
    assert says in told
    assert "\n" not in told
    assert all(secret not in told for secret in (AUTH, PRIV, "another"))


def test_the_processes_that_read_modem_and_router_ask_as_the_user(port: int, tmp_path: Path) -> None:
    file = tmp_path / "u"
    file.write_text(lines())
    file.chmod(0o600)
    modem = LevelsSource(snmp="127.0.0.1", port=port, user_file=str(file))
    asked = msgspec.json.encode(LevelsRequest(source=modem, timeout_s=3.0))
    child = [sys.executable, "-P", "-m", "whichhop.probes.levels_child"]
    done = subprocess.run(child, input=asked, capture_output=True, check=False, timeout=60)
    assert b"answers, but shows no cable modem's tables" in done.stderr
    router = CounterSource(address="127.0.0.1", port=port, user_file=str(file), interface="lo")
    child = [sys.executable, "-P", "-m", "whichhop.probes.counters_child"]
    with subprocess.Popen(child, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as running:
        assert running.stdin is not None
        assert running.stdout is not None
        running.stdin.write(msgspec.json.encode(CountersRequest(source=router, every_s=0.2)) + b"\n")
        running.stdin.flush()
        counts = [json.loads(running.stdout.readline())["count"]["received"] for _ in range(2)]
        running.kill()
    assert 0 < counts[0] <= counts[1]


def test_nobody_there_is_told_as_such(tmp_path: Path) -> None:
    with pytest.raises(RemoteError, match=r"gave no answer to 2 requests .* check address and "):
        walked(free_udp_port(), tmp_path / "u", lines())
