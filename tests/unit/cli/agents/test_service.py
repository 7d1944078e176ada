"""The service verb on a root of its own, with a system that writes down what it is asked for."""

import json
import shutil
import subprocess
import sys
from argparse import ArgumentParser, Namespace
from collections.abc import Sequence
from pathlib import Path

import pytest
from msgspec import Struct, field
from msgspec.structs import replace

from support.homes import ALDER_TEXT
from support.need import need_program
from whichhop.app.agents.revoking import revoke
from whichhop.app.agents.service import UNIT, Machine, Ran
from whichhop.cli.agents.service import add_arguments, run
from whichhop.config.check import read_home
from whichhop.config.epochs import epoch_path, in_force, make_owner, owner_path, read_owner
from whichhop.config.keys import create_key, key_path_for
from whichhop.daemon.notice.sending import missing
from whichhop.errors import SystemRefusedError, WhichhopError
from whichhop.model.notices import Way

SHIPPED = Path(__file__).parents[4] / "deploy" / UNIT


class System(Struct):
    """A system of our own: its files below `root`; enabling makes the link that systemctl(1) makes."""

    root: Path
    asked: list[str] = field(default_factory=list)
    version: str = "systemd 252 (252.38)"
    running: bool = True
    administrator: bool = True
    platform: str = "linux"
    program: Path = Path("/opt/whichhop/bin/whichhop")

    def __call__(self, argv: Sequence[str]) -> Ran:
        assert argv[0] == "systemctl"
        self.asked.append(" ".join(argv[1:]))
        if argv[1] == "--version":
            return Ran(code=0, out=self.version)
        wants = self.root / "etc/systemd/system/multi-user.target.wants"
        if argv[1] == "enable":
            wants.mkdir(parents=True, exist_ok=True)
            (wants / argv[2]).unlink(missing_ok=True)
            (wants / argv[2]).symlink_to(self.root / "etc/systemd/system" / UNIT)
        if argv[1] == "disable":
            (wants / argv[-1]).unlink()
        if argv[1] in ("is-active", "is-enabled"):
            return Ran(code=0, out={"is-active": "active", "is-enabled": "enabled"}[argv[1]] + "\n")
        return Ran(code=0, out="")

    @property
    def machine(self) -> Machine:
        if self.running:
            (self.root / "run/systemd/system").mkdir(parents=True, exist_ok=True)
        return Machine(
            root=self.root,
            run=self,
            administrator=self.administrator,
            platform=self.platform,
            program=self.program,
        )

    def say(self, *words: str) -> int:
        parser = ArgumentParser()
        add_arguments(parser)
        args: Namespace = parser.parse_args(words)
        return run(args, self.machine)


@pytest.fixture
def system(tmp_path: Path) -> System:
    return System(tmp_path / "root")


@pytest.fixture
def home(tmp_path: Path) -> str:
    (tmp_path / "alder.yaml").write_text(ALDER_TEXT)
    create_key(tmp_path / "alder.key")
    return str(tmp_path / "alder.yaml")


def test_install_lays_down_unit_home_and_key_and_starts_the_agent(
    system: System, home: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert system.say("install", home, "--node", "attic") == 0
    etc = system.root / "etc/whichhop"
    assert (etc / "home.yaml").read_text() == ALDER_TEXT
    assert (etc / "home.key").stat().st_mode & 0o777 == 0o600
    assert (system.root / "etc/systemd/system" / UNIT).read_text() == SHIPPED.read_text()
    assert system.asked[1:] == [
        "daemon-reload",
        "enable whichhop@attic.service",
        "restart whichhop@attic.service",
    ]
    assert "runs now" in capsys.readouterr().out


def test_an_upgrade_is_taken_over_by_installing_again_and_records_are_left_alone(
    system: System, home: str, capsys: pytest.CaptureFixture[str]
) -> None:
    records = system.root / "var/lib/whichhop/attic.db"
    records.parent.mkdir(parents=True)
    records.write_bytes(b"records")
    system.say("install", home, "--node", "attic")
    system.program = Path("/opt/newer/bin/whichhop")
    capsys.readouterr()
    assert system.say("install", home, "--node", "attic") == 0
    assert "brought up to date" in capsys.readouterr().out
    assert "ExecStart=/opt/newer/bin/whichhop run" in (system.root / "etc/systemd/system" / UNIT).read_text()
    assert system.say("remove") == 0
    assert records.read_bytes() == b"records"
    assert not (system.root / "etc/systemd/system" / UNIT).exists()
    assert (system.root / "etc/whichhop/home.key").exists()


def test_one_of_two_agents_is_removed_and_the_unit_stays_for_the_other(system: System, home: str) -> None:
    for node in ("attic", "desk"):
        system.say("install", home, "--node", node)
    assert system.say("remove", "--node", "desk") == 0
    assert (system.root / "etc/systemd/system" / UNIT).exists()
    with pytest.raises(WhichhopError, match="no agent of 'desk' is installed here; installed: attic"):
        system.say("stop", "--node", "desk")


def test_start_stop_and_status(system: System, home: str, capsys: pytest.CaptureFixture[str]) -> None:
    system.say("install", home, "--node", "attic")
    assert system.say("stop") == system.say("start") == 0
    assert system.asked[-1] == "start whichhop@attic.service"
    capsys.readouterr()
    assert system.say("status", "--json") == 0
    assert json.loads(capsys.readouterr().out) == [
        {"node": "attic", "active": "active", "enabled": "enabled"}
    ]


def test_the_unit_that_is_laid_down_is_one_that_systemd_accepts(system: System, home: str) -> None:
    # systemd-analyze(1), "verify": loads units and says what is wrong with them
    verify = need_program("systemd-analyze")
    system.program = Path(shutil.which("whichhop") or Path(sys.executable).with_name("whichhop"))
    system.say("install", home, "--node", "attic", "--compare")
    units = system.root / "etc/systemd/system"
    done = subprocess.run(
        [verify, "verify", "--man=no", str(units / UNIT)], capture_output=True, text=True, check=False
    )
    ours = [line for line in done.stderr.splitlines() if "whichhop@" in line]
    assert ours == [], done.stderr
    drop_in = (units / "whichhop@attic.service.d/compare.conf").read_text()
    assert drop_in.count("ExecStart=") == 2
    assert drop_in.splitlines()[1] == "ExecStart="
    assert "--key %d/home.key --compare" in drop_in


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"administrator": False}, "sudo"),
        ({"version": "systemd 241 (241)"}, "needs 250"),
        ({"version": "what?"}, "an unknown version"),
    ],
)
def test_what_the_system_lacks_is_one_line(
    system: System, home: str, change: dict[str, object], words: str
) -> None:
    for name, value in change.items():
        setattr(system, name, value)
    with pytest.raises(SystemRefusedError, match=words) as caught:
        system.say("install", home, "--node", "attic")
    assert "\n" not in str(caught.value)
    assert not (system.root / "etc/whichhop").exists()


def test_an_installation_in_a_users_folder_is_refused_with_the_way_out(system: System, home: str) -> None:
    system.program = system.root / "home/ann/.local/bin/whichhop"
    with pytest.raises(SystemRefusedError, match="/opt/whichhop/bin/pip install CHECKOUT"):
        system.say("install", home, "--node", "attic")


@pytest.mark.parametrize(
    ("platform", "words"), [("linux", "crontab"), ("darwin", "launchd"), ("win32", "Task")]
)
def test_without_systemd_it_says_what_to_do(
    system: System, home: str, platform: str, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    system.running, system.platform = False, platform
    assert system.say("install", home, "--node", "attic") == 1
    said = capsys.readouterr().out
    assert words in said
    assert f"/opt/whichhop/bin/whichhop run {home} --node attic" in said
    assert system.asked == []
    with pytest.raises(WhichhopError, match="no agent runs on 'modem'"):
        system.say("install", home, "--node", "modem")
    capsys.readouterr()
    assert system.say("remove") == 1
    assert "no agent is installed here" in capsys.readouterr().out


def test_the_command_for_each_start_is_good_from_any_folder(
    system: System, home: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = Path(home).parent / "our house"
    folder.mkdir()
    shutil.copy(home, folder)
    monkeypatch.chdir(folder)
    system.running = False
    assert system.say("install", "alder.yaml", "--node", "attic") == 1
    assert f"run '{folder}/alder.yaml' --node attic" in capsys.readouterr().out


def test_a_service_gets_what_a_revocation_needs_and_the_new_key_when_installed_again(
    system: System, home: str
) -> None:
    """Without the owner's key it would believe no revocation, and go on with a key that all others refuse."""
    file, etc = Path(home), system.root / "etc/whichhop/home.yaml"
    word = make_owner(file)
    assert word is not None
    system.say("install", home, "--node", "attic")
    assert read_owner(etc) == read_owner(file)
    assert owner_path(etc).stat().st_mode & 0o777 == 0o644  # the unit's user has no name before it runs
    old = key_path_for(file).read_bytes()
    revoke(file, None, "study", lambda: word, 1_800_000_000)
    assert system.say("install", home, "--node", "attic") == 0
    assert in_force(etc, None) == replace(in_force(file, None), key_file=key_path_for(etc))
    # A copy from before the revocation does not take its place.
    key_path_for(file).write_bytes(old)
    epoch_path(file).unlink()
    with pytest.raises(WhichhopError, match="is older than the installed one"):
        system.say("install", home, "--node", "attic")


SECRETS = """\
notices:
  webhook: {url: "https://notices.example.net/home", token_file: secret/hook.token}
  mail: {server: mail.example.net, user: alder, password_file: mail.password,
         from: alder@example.net, to: [ann@example.net]}
fleet: {write: "https://metrics.example.net/api/v1/write", token_file: fleet.token}
"""


def test_secrets_beside_the_home_file_are_handed_to_the_services_user_by_systemd(
    system: System, home: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """systemd.exec(5), LoadCredential=: root's file of mode 0600, readable by a user that has no name yet."""
    folder = Path(home).parent
    Path(home).write_text(
        ALDER_TEXT.replace(
            "{kind: modem}", "{kind: modem, levels: {snmp: 192.0.2.254, user_file: modem.user}}"
        )
        + SECRETS
    )
    (folder / "secret").mkdir()
    for name in ("secret/hook.token", "fleet.token", "modem.user"):
        (folder / name).write_text(f"{name}: stone bridge\n")
        (folder / name).chmod(0o600)
    assert system.say("install", home, "--node", "attic") == 0
    etc, said = system.root / "etc/whichhop", capsys.readouterr().out
    part = (system.root / "etc/systemd/system/whichhop@attic.service.d/secrets.conf").read_text()
    assert part.splitlines() == [
        "[Service]",
        "LoadCredential=fleet.token:/etc/whichhop/fleet.token",
        "LoadCredential=hook.token:/etc/whichhop/hook.token",
        "LoadCredential=modem.user:/etc/whichhop/modem.user",
    ]
    assert (etc / "hook.token").read_text() == "secret/hook.token: stone bridge\n"
    assert {(etc / n).stat().st_mode & 0o777 for n in ("hook.token", "fleet.token", "modem.user")} == {0o600}
    assert "so it gets: fleet.token, hook.token, modem.user" in said
    assert f"notices.mail.password_file: no {folder / 'mail.password'} on this machine" in said
    # What the home file names no more is no part of the unit any more.
    Path(home).write_text(ALDER_TEXT)
    assert system.say("install", home, "--node", "attic") == 0
    assert not (system.root / "etc/systemd/system/whichhop@attic.service.d/secrets.conf").exists()


def test_what_the_service_is_handed_is_read_there(
    system: System, home: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # systemd.exec(5): $CREDENTIALS_DIRECTORY holds the files by name; newer versions make them 0440
    Path(home).write_text(ALDER_TEXT + SECRETS)
    handed = tmp_path / "credentials"
    handed.mkdir()
    (handed / "hook.token").write_text("willow mill\n")
    (handed / "hook.token").chmod(0o440)
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(handed))
    notices = read_home(Path(home)).notices
    assert notices is not None
    assert missing(notices, Way.WEBHOOK) == ""
    assert str(tmp_path / "mail.password") in missing(notices, Way.MAIL)


@pytest.mark.parametrize(
    ("text", "mode", "words"),
    [
        (SECRETS, 0o640, r"fleet.token: others may read or change it; run: chmod 600 "),
        (
            SECRETS.replace("secret/hook.token", "other/fleet.token"),
            0o600,
            r"notices.webhook.token_file: two files are called fleet.token",
        ),
        (SECRETS.replace("fleet.token", "home.key"), 0o600, r"cannot be handed a file called 'home.key'"),
        # Whoever hands a home file over does not have root read what only root may.
        (SECRETS.replace("token_file: fleet", "token_file: /etc/fleet"), 0o600, "not beside the home file"),
        (SECRETS.replace("token_file: fleet", "token_file: ../fleet"), 0o600, "not beside the home file"),
        (SECRETS.replace("token_file: fleet", "token_file: .vault/fleet"), 0o600, "not beside the home file"),
        (SECRETS.replace("fleet.token", "a b:c"), 0o600, r"cannot be handed a file called 'a b:c'"),
    ],
)
def test_a_secret_that_cannot_be_handed_over_is_one_line_and_nothing_is_written(
    system: System, home: str, text: str, mode: int, words: str
) -> None:
    Path(home).write_text(ALDER_TEXT + text)
    token = Path(home).parent / "fleet.token"
    token.write_text("stone bridge\n")
    token.chmod(mode)
    with pytest.raises(WhichhopError, match=words) as caught:
        system.say("install", home, "--node", "attic")
    assert "\n" not in str(caught.value)
    assert not (system.root / "etc/whichhop").exists()


@pytest.mark.parametrize("written", ["levels.csv", "/home/ann/levels.csv"])
def test_a_file_of_levels_that_no_service_sees_is_told(
    system: System, home: str, written: str, capsys: pytest.CaptureFixture[str]
) -> None:
    Path(home).write_text(
        ALDER_TEXT.replace("{kind: modem}", f"{{kind: modem, levels: {{file: {written}}}}}")
    )
    assert system.say("install", home, "--node", "attic") == 0
    where = Path("/etc/whichhop") / written
    assert f"nodes.modem.levels.file: the service finds no {where};" in capsys.readouterr().out
    (system.root / where.relative_to("/")).parent.mkdir(parents=True, exist_ok=True)
    (system.root / where.relative_to("/")).write_text("")
    assert system.say("install", home, "--node", "attic") == 0
    assert ("levels.file" in capsys.readouterr().out) is written.startswith("/home")


def test_mistakes_are_told_before_anything_is_written(system: System, home: str, tmp_path: Path) -> None:
    with pytest.raises(WhichhopError, match="no agent runs on 'modem'; agents run on: attic, desk, study"):
        system.say("install", home, "--node", "modem")
    with pytest.raises(WhichhopError, match="install needs both"):
        system.say("install")
    with pytest.raises(WhichhopError, match="no agent is installed here"):
        system.say("status")
    system.say("install", home, "--node", "attic")
    other = tmp_path / "other.yaml"
    other.write_text(ALDER_TEXT)
    create_key(tmp_path / "other.key")
    with pytest.raises(WhichhopError, match="another home's key is there"):
        system.say("install", str(other), "--node", "attic")
