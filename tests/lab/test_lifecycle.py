"""Nothing of an emulated home is left, however it ends; and where it cannot be, one line says why."""

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from support.need import need, need_program, need_root
from whichhop.errors import SystemRefusedError
from whichhop.lab.build import folders
from whichhop.lab.emulated_home import EmulatedHome
from whichhop.lab.scenario import Effect, Fault
from whichhop.lab.standard_home import alder_scenario
from whichhop.model import Cause
from whichhop.net.clock import SystemClock, sleep_s

pytestmark = [pytest.mark.lab, pytest.mark.slow, pytest.mark.waits]

# An owner that builds a home with a program in it which has a child of its own, says where, and waits.
OWNER = """
import sys
from pathlib import Path
from whichhop.lab.standard_home import alder_scenario
from whichhop.lab.emulated_home import EmulatedHome
with EmulatedHome(alder_scenario(), check=False, base=Path(sys.argv[1])) as home:
    home.place("desk").run(["sh", "-c", "sleep 1000 & sleep 1000"])
    print("up", flush=True)
    sys.stdin.read()
"""


class Traces:
    """What a running home consists of, so that its end can be looked for."""

    def __init__(self, base: Path) -> None:
        ((self.folder, self.about),) = folders.running(base)
        proc = Path("/proc", str(self.about.inner))
        self.spaces = {str((proc / "fd" / str(fd)).readlink()) for fd in self.about.spaces.values()}
        self.pid_space = str((proc / "ns" / "pid").readlink())
        assert self.left()

    def left(self) -> list[str]:
        """Processes of the home, by the namespaces they are in."""
        out = []
        for entry in Path("/proc").iterdir():
            if entry.name.isdigit():
                try:
                    spaces = {str((entry / "ns" / kind).readlink()) for kind in ("pid", "net")}
                except OSError:
                    continue
                if spaces & {self.pid_space, *self.spaces}:
                    out.append(entry.name)
        return out

    def all_gone(self, within_s: float = 20.0) -> bool:
        """True when processes and folder are gone, as they must be shortly."""
        clock = SystemClock()
        end = clock.mono_ns() + int(within_s * 1e9)
        while self.left() or self.folder.exists():
            if clock.mono_ns() > end:
                return False
            sleep_s(0.02)
        return True


@pytest.fixture(autouse=True)
def _needs() -> None:
    need_root()
    for program in ("ip", "tc", "nft"):
        need_program(program)


@pytest.fixture
def owner(tmp_path: Path) -> Iterator["subprocess.Popen[str]"]:
    with subprocess.Popen(
        [sys.executable, "-c", OWNER, str(tmp_path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "up\n"
        yield process
        process.kill()


def test_a_normal_end_leaves_nothing(owner: "subprocess.Popen[str]", tmp_path: Path) -> None:
    traces = Traces(tmp_path)
    owner.communicate(timeout=10)
    assert owner.returncode == 0
    assert traces.all_gone(0.5)


def test_an_exception_leaves_nothing(tmp_path: Path) -> None:
    traces = []

    def fail() -> None:
        with EmulatedHome(alder_scenario(), check=False, base=tmp_path):
            traces.append(Traces(tmp_path))
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail()
    assert traces[0].all_gone(0.5)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_an_owner_ended_by_a_signal_leaves_nothing(
    owner: "subprocess.Popen[str]", tmp_path: Path, number: int
) -> None:
    traces = Traces(tmp_path)
    owner.send_signal(number)
    owner.wait(10)
    assert traces.all_gone()


def test_a_killed_holder_takes_everything_along_and_is_noticed(tmp_path: Path) -> None:
    with EmulatedHome(alder_scenario(), check=False, base=tmp_path) as home:
        traces = Traces(tmp_path)
        os.kill(traces.about.holder, signal.SIGKILL)
        for _ in range(200):
            if not traces.left():
                break
            sleep_s(0.02)
        with pytest.raises(SystemRefusedError, match="has ended"):
            home.counts()
    assert traces.all_gone()


def test_owner_and_holder_killed_leave_a_folder_that_the_next_start_removes(
    owner: "subprocess.Popen[str]", tmp_path: Path
) -> None:
    traces = Traces(tmp_path)
    os.kill(traces.about.holder, signal.SIGKILL)
    owner.kill()
    owner.wait(10)
    for _ in range(200):
        if not traces.left():
            break
        sleep_s(0.02)
    assert traces.left() == []
    assert traces.folder.exists()
    assert folders.clean(tmp_path) == [f"removed the leftover home {traces.folder.name}"]
    assert not traces.folder.exists()


def test_a_home_that_fails_half_way_leaves_nothing_and_says_which_line_failed(tmp_path: Path) -> None:
    home = EmulatedHome(alder_scenario(), check=False, base=tmp_path)
    home.plan.ip_lines["harbour"] += ("address add nonsense dev lo",)  # type: ignore[index]
    with pytest.raises(SystemRefusedError, match=r"in harbour: .*nonsense"), home:
        pass
    assert list(tmp_path.iterdir()) == []


def test_what_programs_said_and_the_truth_can_be_kept(tmp_path: Path) -> None:
    base, kept = tmp_path / "run", tmp_path / "kept"
    with EmulatedHome(alder_scenario(), check=False, base=base, keep=kept) as home:
        home.place("desk").call(["echo", "hello"])
    assert [p.read_text() for p in kept.glob("desk-*-echo.log")] == ["hello\n"]
    assert json.loads((kept / "truth.jsonl").read_text().splitlines()[0])["what"] == "up"
    assert list(base.iterdir()) == []


def test_a_scenarios_script_is_played_in_time(tmp_path: Path) -> None:
    effect, cause = Effect(loss_ratio=0.5), Cause.BEYOND
    faults = (
        Fault(at_s=0.2, for_s=0.3, element="beyond", cause=cause, effect=effect),
        Fault(at_s=0.4, for_s=9.0, element="study/router", cause=cause, effect=effect),
    )
    scenario = alder_scenario(faults, seconds=0.8)
    with EmulatedHome(scenario, check=False, base=tmp_path) as home:
        home.play()
        up, *events = home.truth
    assert [(e.what, e.element) for e in events] == [
        ("fault", "beyond"),
        ("fault", "study/router"),
        ("clear", "beyond"),
        ("clear", "study/router"),
    ]
    seconds = [(e.at_ns - up.at_ns) / 1e9 for e in events]
    # Switched no earlier than asked, and not much later though other tests run beside it.
    assert all(asked <= at <= asked + 2.0 for asked, at in zip((0.2, 0.4, 0.5, 0.8), seconds, strict=True))


def whichhop(*words: str, **more: str) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(
        [sys.executable, "-m", "whichhop", "lab", *words],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        input=more.get("input", ""),
    )


def test_the_verb_answers_each_line_in_json_and_goes_on_after_a_mistake() -> None:
    lines = "fault desk/attic delay 40ms\nfault moon loss 5%\nstatus\nrun desk ping -n -c 1 192.0.2.2\nquit\n"
    done = whichhop("--json", "--fault", "beyond:loss 1%", input=lines)
    assert done.returncode == 0, done.stderr
    home, first, second, wrong, status, ping = [json.loads(line) for line in done.stdout.splitlines()]
    assert home["nodes"]["desk"] == ["192.0.2.20", "2001:db8:0:1::14"]
    assert (first, second) == ({"fault": 1}, {"fault": 2})
    assert "'moon' is no element" in wrong["error"]
    assert status["faults"] == {"1": "beyond loss 1%", "2": "desk/attic delay 40ms"}
    assert ping["code"] == 0


def test_the_verb_ends_by_itself_and_a_command_runs_in_the_running_home() -> None:
    with subprocess.Popen(
        [sys.executable, "-m", "whichhop", "lab", "--seconds", "30", "--json"],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    ) as running:
        assert running.stdout is not None
        token = json.loads(running.stdout.readline())["token"]
        inside = whichhop("--token", token, "--exec", "attic", "--", "sh", "-c", "ls /sys/class/net; exit 7")
        running.terminate()
    assert inside.returncode == 7, inside.stderr
    assert set(inside.stdout.split()) == {"lo", "bridge-all", "to-desk", "to-router"}
    assert running.returncode == 128 + signal.SIGTERM


def test_a_mistyped_fault_is_refused_before_anything_is_built() -> None:
    done = whichhop("--fault", "desk/attic:slowly")
    assert done.returncode == 2
    assert done.stderr.startswith("'slowly' is no fault word")


WITHOUT_RIGHTS = ["setpriv", "--bounding-set=-sys_admin,-net_admin", "--inh-caps=-sys_admin,-net_admin"]


def test_without_rights_a_user_namespace_of_its_own_does_as_well() -> None:
    need_program("setpriv")
    may = subprocess.run([*WITHOUT_RIGHTS, "unshare", "-Urn", "true"], capture_output=True, check=False)
    need(may.returncode == 0, "user namespaces")
    argv = [*WITHOUT_RIGHTS, sys.executable, "-m", "whichhop", "lab", "--json"]
    lines = "run study ping -n -c 2 -i 0.1 198.51.100.7\n"
    done = subprocess.run(argv, input=lines, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout.splitlines()[-1])["code"] == 0


def test_without_a_tun_device_the_relay_reads_packet_sockets_instead() -> None:
    hide = 'mount -t tmpfs none /dev/net && exec "$@"'
    argv = ["unshare", "-m", "sh", "-c", hide, "sh", sys.executable, "-m", "whichhop", "lab", "--json"]
    lines = "run desk ping -n -c 2 -i 0.1 198.51.100.7\n"
    done = subprocess.run(argv, input=lines, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
    home, ping = [json.loads(line) for line in done.stdout.splitlines()]
    assert home["links"]["desk/attic"]["carrier"] == "frames"
    assert ping["code"] == 0


def test_where_namespaces_are_refused_one_line_says_why() -> None:
    need_program("setpriv")
    # In a user namespace that may hold no further one (user_namespaces(7)), without rights of its own.
    script = 'echo 0 > /proc/sys/user/max_user_namespaces && exec "$@"'
    argv = [
        "unshare",
        "-Ur",
        "sh",
        "-c",
        script,
        "sh",
        *WITHOUT_RIGHTS,
        sys.executable,
        "-m",
        "whichhop",
        "lab",
    ]
    done = subprocess.run(
        argv, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 2
    (line,) = [x for x in done.stderr.splitlines() if "building" not in x]
    assert line.startswith("network namespaces are refused here (unshare: ")
    assert "max_user_namespaces" in line
