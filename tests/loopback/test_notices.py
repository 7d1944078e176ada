"""Notices by each way to real receivers on loopback: an HTTP server, an SMTP server (aiosmtpd), a program."""

import asyncio
import json
import ssl
from collections.abc import Iterator
from contextlib import contextmanager
from email import message_from_bytes
from email.policy import default as modern
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from threading import Thread
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, LoginPassword
from msgspec.structs import replace

from support.ports import free_tcp_port
from support.standing_clock import StandingClock
from support.stories import FAULT_NS, NOW_NS, STORIES, played
from support.time_authority import openssl
from whichhop.app.live.live_comparison import live_comparison
from whichhop.cli import main
from whichhop.daemon.job_runner import JobRunner, Troubles
from whichhop.daemon.notice import notices
from whichhop.daemon.notice.send_child import send
from whichhop.model.notices import Mail, MailSecurity, Notices, Way, Webhook
from whichhop.model.units import NS_PER_S
from whichhop.net.child import run_child
from whichhop.net.clock import sleep_s
from whichhop.store.store import Store

pytestmark = [pytest.mark.waits, pytest.mark.slow]
DOCUMENT = json.dumps(
    {
        "version": 1,
        "id": "router-1-1",
        "kind": "opened",
        "home": "Alder House",
        "at": "2026-03-01T18:00:10.000Z",
        "subject": "[Alder House] The access line is at fault (97 %)",
        "lines": ["The access line is at fault.", "Probability of fault: 97 %."],
    }
).encode()


class Sink(HTTPServer):
    """Takes posts; answers with the status it is told."""

    def __init__(self) -> None:
        self.heard: list[tuple[Any, bytes]] = []
        self.status = 204
        super().__init__(("127.0.0.1", 0), _Post)


class _Post(BaseHTTPRequestHandler):
    server: Sink

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        self.server.heard.append((self.headers, body))
        self.send_response(self.server.status)
        self.end_headers()

    def log_message(self, *_: Any) -> None:
        pass


@contextmanager
def sink(certificate: Path | None = None) -> Iterator[Sink]:
    with Sink() as server:
        if certificate is not None:
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            context.load_cert_chain(certificate)
            server.socket = context.wrap_socket(server.socket, server_side=True)
        thread = Thread(target=server.serve_forever, args=(0.02,))
        thread.start()
        try:
            yield server
        finally:
            server.shutdown()
            thread.join()


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Key and certificate of "localhost" in one file, signed by itself."""
    path = tmp_path_factory.mktemp("tls") / "localhost.pem"
    key = path.with_suffix(".key")
    openssl(
        *("req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "2"),
        *("-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1"),
        *("-keyout", str(key), "-out", str(path)),
    )
    path.write_text(path.read_text() + key.read_text())
    return path


@pytest.fixture
def trusted(certificate: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The system's authorities are replaced by that certificate (OpenSSL, SSL_CERT_FILE)."""
    monkeypatch.setenv("SSL_CERT_FILE", str(certificate))
    return certificate


class Box:
    """Keeps the mails that a server took."""

    def __init__(self) -> None:
        self.mails: list[tuple[str, list[str], bytes]] = []

    async def handle_DATA(  # noqa: N802 - aiosmtpd calls it so
        self, _server: Any, _session: Any, envelope: Any
    ) -> str:
        self.mails.append((envelope.mail_from, envelope.rcpt_tos, envelope.content))
        return "250 OK"


def _password_is_right(_server: Any, _session: Any, _envelope: Any, mechanism: str, given: Any) -> AuthResult:
    right = isinstance(given, LoginPassword) and given == LoginPassword(b"alder", b"word of the test")
    return AuthResult(success=right, handled=right)


@contextmanager
def mail_server(
    certificate: Path, security: MailSecurity, *, login: bool = True
) -> Iterator[tuple[Box, int]]:
    box, port = Box(), free_tcp_port()
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate)
    controller = Controller(
        box,
        hostname="127.0.0.1",
        port=port,
        ssl_context=context if security is MailSecurity.TLS else None,
        tls_context=context if security is MailSecurity.STARTTLS else None,
        require_starttls=security is MailSecurity.STARTTLS,
        authenticator=_password_is_right if login else None,
        auth_required=login and security is MailSecurity.STARTTLS,
        auth_require_tls=security is MailSecurity.STARTTLS,
    )
    controller.start()
    try:
        yield box, port
    finally:
        controller.stop()


def secret(folder: Path, text: str) -> str:
    path = folder / "secret"
    path.write_text(f"{text}\n")
    path.chmod(0o600)
    return str(path)


def to_mail(port: int, security: MailSecurity, password_file: str | None) -> Notices:
    return Notices(
        mail=Mail(
            server="localhost",
            port=port,
            security=security,
            sender="alder@example.net",
            to=("ann@example.net", "ben@example.net"),
            user=None if password_file is None else "alder",
            password_file=password_file,
        )
    )


@pytest.mark.parametrize("security", [MailSecurity.STARTTLS, MailSecurity.TLS])
def test_a_mail_goes_encrypted_with_user_and_password_to_all_its_readers(
    trusted: Path, tmp_path: Path, security: MailSecurity
) -> None:
    with mail_server(trusted, security) as (box, port):
        said = send(Way.MAIL, to_mail(port, security, secret(tmp_path, "word of the test")), DOCUMENT)
    assert said.ok, said
    ((sender, readers, octets),) = box.mails
    assert (sender, readers) == ("alder@example.net", ["ann@example.net", "ben@example.net"])
    mail = message_from_bytes(octets, policy=modern)
    assert mail["Subject"] == "[Alder House] The access line is at fault (97 %)"
    assert mail["Message-ID"] == "<router-1-1@example.net>"
    assert mail.get_content().splitlines() == [
        "The access line is at fault.",
        "Probability of fault: 97 %.",
    ]


def test_mail_without_encryption_goes_where_it_is_asked_for_and_nothing_falls_back_to_it(
    trusted: Path, tmp_path: Path
) -> None:
    with mail_server(trusted, MailSecurity.NONE, login=False) as (box, port):
        assert send(Way.MAIL, to_mail(port, MailSecurity.NONE, None), DOCUMENT).ok
        refused = send(Way.MAIL, to_mail(port, MailSecurity.STARTTLS, None), DOCUMENT)
    assert len(box.mails) == 1
    assert not refused.ok
    assert "STARTTLS" in refused.words
    assert "security" in refused.words


def test_what_a_mail_server_refuses_is_told_with_its_key_and_without_the_password(
    trusted: Path, certificate: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with mail_server(trusted, MailSecurity.STARTTLS) as (box, port):
        settings = to_mail(port, MailSecurity.STARTTLS, secret(tmp_path, "another word"))
        wrong = send(Way.MAIL, settings, DOCUMENT)
        monkeypatch.setenv("SSL_CERT_FILE", "/dev/null")
        stranger = send(Way.MAIL, settings, DOCUMENT)
    gone = send(Way.MAIL, settings, DOCUMENT)
    assert [wrong.ok, stranger.ok, gone.ok] == [False] * 3
    assert wrong.words == "refuses user or password; check user and password_file"
    assert "certificate" in stranger.words
    assert "cannot be reached" in gone.words
    assert not box.mails
    assert not any("another word" in said.words for said in (wrong, stranger, gone))


def test_a_webhook_gets_the_document_as_it_is_with_its_token(trusted: Path, tmp_path: Path) -> None:
    with sink(trusted) as server:
        hook = Webhook(
            url=f"https://localhost:{server.server_port}/home",
            token_file=secret(tmp_path, "a-token-of-the-test"),
        )
        said = send(Way.WEBHOOK, Notices(webhook=hook), DOCUMENT)
    assert said.ok, said
    ((headers, body),) = server.heard
    assert body == DOCUMENT
    assert headers["Content-Type"] == "application/json"
    assert headers["Authorization"] == "Bearer a-token-of-the-test"


def test_an_address_that_is_a_secret_comes_from_its_file_and_stays_out_of_what_is_said(
    tmp_path: Path,
) -> None:
    with sink() as server:
        server.status = 410
        hook = Webhook(url_file=secret(tmp_path, f"http://127.0.0.1:{server.server_port}/very-secret"))
        said = send(Way.WEBHOOK, Notices(webhook=hook), DOCUMENT)
    assert len(server.heard) == 1
    assert not said.ok
    assert "410" in said.words
    assert "very-secret" not in said.words


def program(folder: Path, text: str, *arguments: str) -> str:
    script = folder / "told"
    script.write_text(f"#!/bin/sh\n{text}\n")
    script.chmod(0o700)
    named = folder / "told.command"
    named.write_text("\n".join([str(script), *arguments]) + "\n")
    named.chmod(0o644)
    return str(named)


def test_a_command_gets_its_arguments_untouched_by_a_shell_and_the_document_on_its_input(
    tmp_path: Path,
) -> None:
    out = tmp_path / "out"
    named = program(tmp_path, f'printf "%s|" "$@" > {out}; cat >> {out}', "two words", "$(id)", "; rm -rf x")
    assert send(Way.COMMAND, Notices(command_file=named), DOCUMENT).ok
    assert out.read_bytes() == b"two words|$(id)|; rm -rf x|" + DOCUMENT + b"\n"


def test_a_command_that_fails_or_hangs_is_told_and_ended_with_all_that_it_started(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    named = program(tmp_path, "exit 3")
    failed = send(Way.COMMAND, Notices(command_file=named), DOCUMENT)
    assert not failed.ok
    assert failed.words.endswith("ended with code 3")
    monkeypatch.setattr("whichhop.daemon.notice.send_child.COMMAND_S", 0.3)
    pid = tmp_path / "pid"
    hung = send(
        Way.COMMAND, Notices(command_file=program(tmp_path, f"sleep 60 & echo $! > {pid}; wait")), DOCUMENT
    )
    assert not hung.ok
    assert "still running after 0.3 s" in hung.words
    gone = Path(f"/proc/{pid.read_text().strip()}/stat")
    for _ in range(200):  # killed, and still on its way out on a busy machine
        if not gone.exists() or ") Z " in gone.read_text():
            return
        sleep_s(0.01)
    pytest.fail("what the command started is still running")


def test_files_that_others_may_read_or_change_are_refused(tmp_path: Path) -> None:
    named = Path(program(tmp_path, "exit 0"))
    named.chmod(0o666)
    assert "chmod go-w" in send(Way.COMMAND, Notices(command_file=str(named)), DOCUMENT).words
    token = Path(secret(tmp_path, "x"))
    token.chmod(0o644)
    hook = Webhook(url="https://localhost:1/", token_file=str(token))
    assert "chmod 600" in send(Way.WEBHOOK, Notices(webhook=hook), DOCUMENT).words


def test_the_verb_tries_each_way_and_says_what_came_of_it(
    trusted: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home = tmp_path / "alder.yaml"
    command = Path(program(tmp_path, "exit 4"))
    with sink() as server, mail_server(trusted, MailSecurity.STARTTLS) as (box, port):
        secret(tmp_path, "word of the test")
        home.write_text(
            "home: Alder House\n"
            "nodes: {router: {kind: router, address: 192.0.2.1, agent: true}}\n"
            "notices:\n"
            f"  webhook: {{url: 'http://127.0.0.1:{server.server_port}/'}}\n"
            f"  mail: {{server: localhost, port: {port}, user: alder, password_file: secret,\n"
            "    from: alder@example.net, to: [ann@example.net]}\n"
            f"  command_file: {command.name}\n"
            "  quiet_hours: '00:00-23:59'\n"
        )
        assert main(["tell", str(home), "--test"]) == 1
    text = capsys.readouterr().out
    assert "test notice sent: taken (204)" in text
    assert "ann@example.net by localhost" in text
    assert "test notice NOT sent" in text
    assert "ended with code 4" in text
    assert json.loads(server.heard[0][1])["kind"] == "test"
    assert b"Test notice: nothing is wrong" in box.mails[0][2]
    assert main(["tell", str(home), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["ways"]["command"]["trouble"] == ""


def test_a_fault_that_comes_and_goes_is_mailed_and_posted_once_each_as_every_screen_tells_it(
    certificate: Path, tmp_path: Path
) -> None:
    """From simulated packets by the comparer's turns, the daemon's notices and its sending child."""
    whole = STORIES["radio"]
    story = replace(whole, faults=tuple(replace(f, for_s=150.0) for f in whole.faults))
    play = played(story, tmp_path)
    with sink() as heard, mail_server(certificate, MailSecurity.NONE, login=False) as (box, port):
        ways = to_mail(port, MailSecurity.NONE, None)
        hook = Webhook(url=f"http://127.0.0.1:{heard.server_port}/")
        clock = StandingClock(FAULT_NS)
        troubles = Troubles(lambda _: None, lambda _: None)
        teller = notices.Notices(
            "router", tmp_path / "router.notices", clock, JobRunner(clock, troubles), run_child,
            troubles=troubles, told=lambda _name, _value: None,
        )  # fmt: skip
        teller.follow(replace(play.house.home, notices=replace(ways, webhook=hook)))
        with Store.open(play.store) as store:
            live = live_comparison(play.house, "home.yaml", store)
            for at_ns in range(FAULT_NS + 90 * NS_PER_S, NOW_NS, 30 * NS_PER_S):
                clock.now_ns = at_ns
                bulletin = live.turn(at_ns)
                assert bulletin is not None
                teller.take(bulletin)
                for way in (Way.MAIL, Way.WEBHOOK):
                    asyncio.run(teller._turn(way))
    posted = [json.loads(body) for _, body in heard.heard]
    assert [d["kind"] for d in posted] == ["opened", "closed"]
    assert {d["home"] for d in posted} == {"Alder House"}
    assert posted[0]["elements"] == list(story.elements)
    assert posted[0]["since"].startswith("2026-03-01T18:05:")
    assert f"What to do: {story.step}" in "\n".join(posted[0]["lines"])
    assert abs(posted[1]["lasted_s"] - 150.0) <= 20.0
    mails = [message_from_bytes(octets, policy=modern) for _, _, octets in box.mails]
    assert [m["Subject"].strip() for m in mails] == [d["subject"] for d in posted]
    assert all(line in mails[0].get_content() for line in posted[0]["lines"][:3])
