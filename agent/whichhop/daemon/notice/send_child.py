"""The process that sends one notice by one way, and says what came of it.

`python -m whichhop.daemon.notice.send_child`: a SendRequest on stdin, a Sent on stdout. What it loads, and
what a server does to it, stays out of the daemon.
"""

import contextlib
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import msgspec

from whichhop.daemon.notice.sending import SendRequest, Sent, command_of, secret_of
from whichhop.errors import WhichhopError
from whichhop.model.notices import Mail, MailSecurity, Notices, Way, Webhook
from whichhop.net.http_client import Failure, HttpClient, HttpError
from whichhop.printable import printable

HOOK_S = 15.0
MAIL_S = 15.0
"""For each answer of the server; RFC 5321 4.5.3.2 allows minutes, in which nobody else would be told."""
COMMAND_S = 20.0
MOST_ANSWER = 64 << 10
_MOST_WHY = 200


def _post(hook: Webhook, document: bytes) -> Sent:
    url = hook.url if hook.url is not None else secret_of(Path(hook.url_file or ""))
    headers = {"Content-Type": "application/json"}
    if hook.token_file is not None:
        headers["Authorization"] = f"Bearer {secret_of(Path(hook.token_file))}"
    client = HttpClient(seconds=HOOK_S, most_octets=MOST_ANSWER, follow=False)
    try:
        answer = client.ask(url, headers=headers, body=document)
    except HttpError as error:
        if error.failure is Failure.TOO_LARGE:  # it has taken the notice; what it says of it is its affair
            return Sent(ok=True, words="taken")
        return Sent(ok=False, words=f"{error.failure}: {error.why}; check the address")
    if 200 <= answer.status < 300:
        return Sent(ok=True, words=f"taken ({answer.status})")
    remedy = "check its token" if answer.status in (401, 403) else "check its address"
    return Sent(ok=False, words=f"answered {answer.status} {answer.reason}; {remedy}")


def message_of(mail: Mail, document: dict[str, Any]) -> Any:
    """The mail (RFC 5322): plain text, with the notice's identity, so that a second copy is known as one."""
    from datetime import datetime  # noqa: PLC0415
    from email.message import EmailMessage  # noqa: PLC0415 - only where mail is sent
    from email.utils import format_datetime  # noqa: PLC0415

    message = EmailMessage()
    message["Subject"] = document["subject"]
    message["From"], message["To"] = mail.sender, ", ".join(mail.to)
    message["Date"] = format_datetime(datetime.fromisoformat(document["at"]))
    message["Message-ID"] = f"<{document['id']}@{mail.sender.rpartition('@')[2]}>"
    message["Auto-Submitted"] = "auto-generated"  # RFC 3834: no absence notice in return
    message.set_content("\n".join(document["lines"]) + "\n")
    return message


def _mail(mail: Mail, document: bytes) -> Sent:
    message = message_of(mail, msgspec.json.decode(document, type=dict[str, Any]))
    password = None if mail.password_file is None else secret_of(Path(mail.password_file))
    try:
        refused = _hand_over(mail, message, password)
    except OSError as why:  # smtplib's own are OSErrors too
        return Sent(ok=False, words=_mail_words(why))
    if refused:
        return Sent(ok=True, words=f"taken, but not for {', '.join(sorted(refused))}; check to")
    return Sent(ok=True, words="taken")


def _hand_over(mail: Mail, message: Any, password: str | None) -> dict[str, Any]:
    import smtplib  # noqa: PLC0415 - only where mail is sent
    import ssl  # noqa: PLC0415

    trust = ssl.create_default_context()
    with (
        smtplib.SMTP_SSL(mail.server, mail.port, timeout=MAIL_S, context=trust)
        if mail.security is MailSecurity.TLS
        else smtplib.SMTP(mail.server, mail.port, timeout=MAIL_S)
    ) as server:
        if mail.security is MailSecurity.STARTTLS:
            server.starttls(context=trust)
        if mail.user is not None and password is not None:
            server.login(mail.user, password)
        return dict(server.send_message(message))


def _mail_words(why: OSError) -> str:
    """What a mail server or the way to it refused, with the key to look at; never the password."""
    import smtplib  # noqa: PLC0415 - only where mail is sent
    import ssl  # noqa: PLC0415

    if isinstance(why, smtplib.SMTPAuthenticationError):
        return "refuses user or password; check user and password_file"
    if isinstance(why, smtplib.SMTPRecipientsRefused):
        return f"refuses {', '.join(why.recipients)}; check to"
    if isinstance(why, smtplib.SMTPException):
        return f"{_plain(why)}; check server, port and security"
    if isinstance(why, ssl.SSLError):
        return f"its certificate or TLS is not accepted ({_plain(why)}); check server, port and security"
    return f"cannot be reached ({_plain(why)}); check server and port"


def _plain(why: BaseException) -> str:
    said = getattr(why, "smtp_error", None)
    if isinstance(why, OSError) and why.strerror:
        return printable(why.strerror, _MOST_WHY)  # without the number of it
    text = said.decode("utf-8", "replace") if isinstance(said, bytes) else str(why) or type(why).__name__
    return printable(" ".join(text.split()), _MOST_WHY)


def _run(path: str, document: bytes) -> Sent:
    """The user's own command, in a session of its own, so that whatever it starts ends with it."""
    words = command_of(Path(path))
    try:
        with subprocess.Popen(  # noqa: S603 - the owner's own file names it, and no shell reads it
            words,
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        ) as child:
            try:
                child.communicate(document + b"\n", timeout=COMMAND_S)
            except subprocess.TimeoutExpired:
                said = f"{words[0]} was still running after {COMMAND_S:g} s and was ended"
                return Sent(ok=False, words=said)
            finally:
                _end(child.pid)
    except OSError as why:
        return Sent(ok=False, words=f"{words[0]} cannot be run: {why.strerror}; correct {path}")
    if child.returncode:
        return Sent(ok=False, words=f"{words[0]} ended with code {child.returncode}")
    return Sent(ok=True, words="ended with code 0")


def _end(group: int) -> None:
    with contextlib.suppress(ProcessLookupError, PermissionError):  # nothing of it is left
        os.killpg(group, signal.SIGKILL)


def send(way: Way, settings: Notices, document: bytes) -> Sent:
    """Send; whatever stands in the way is an answer in a line."""
    try:
        if way is Way.WEBHOOK and settings.webhook is not None:
            return _post(settings.webhook, document)
        if way is Way.MAIL and settings.mail is not None:
            return _mail(settings.mail, document)
        if way is Way.COMMAND and settings.command_file is not None:
            return _run(settings.command_file, document)
    except WhichhopError as why:
        return Sent(ok=False, words=str(why))
    return Sent(ok=False, words=f"the home file names no {way}")


def main() -> int:
    """Send what stdin asks for."""
    request = msgspec.json.decode(sys.stdin.buffer.read(), type=SendRequest)
    said = send(request.way, request.settings, bytes(request.document))
    sys.stdout.write(msgspec.json.encode(said).decode() + "\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
