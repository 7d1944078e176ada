"""Which is lighter on a home's machine: to write to a fleet's server, or a server's agent mode beside it.

The daemon of daemon_load with twenty sessions runs three times: alone; with a server named under `fleet`;
alone again, scraped each ten seconds by a Prometheus in agent mode that writes on what it scraped. Both write
to a real server on loopback. Counted are processor time and memory of the daemon and of what serves it.
`python -m bench.fleet_agents`
"""

import json
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path

from bench.daemon_load import CLOCK, DESK, children_s, running
from bench.reflector_rate import spent_s
from support.metrics_history import Receiver, receiver
from support.need import need_program
from support.ports import free_tcp_port
from whichhop.net.clock import sleep_s

WARM_S, COUNT_S = 45.0, 180.0


def _family(pid: int) -> Iterator[int]:
    """A process and all below it (man proc_pid_task, 5: children)."""
    yield pid
    for task in Path(f"/proc/{pid}/task").iterdir():
        for child in (task / "children").read_text().split():
            yield from _family(int(child))


def _spent_s(pid: int) -> float:
    """Processor time of a process and of its children, the ended ones too."""
    return sum(spent_s(one) + children_s(one) for one in _family(pid))


def _memory_mb(pid: int) -> float:
    """Proportional set size, so that what a child shares with its parent counts once."""
    return (
        sum(
            int(line.split()[1])
            for one in _family(pid)
            for line in Path(f"/proc/{one}/smaps_rollup").read_text().splitlines()
            if line.startswith("Pss:")
        )
        / 1e3
    )


@contextmanager
def _agent_mode(folder: Path, api: int, server: Receiver) -> Iterator[int]:
    file = folder / "agent.yml"
    file.write_text(
        "global: {scrape_interval: 10s}\n"
        f"scrape_configs: [{{job_name: home, static_configs: [{{targets: ['{DESK}:{api}']}}]}}]\n"
        f"remote_write: [{{url: '{server.write}'}}]\n"
    )
    words = [
        need_program("prometheus"),
        "--enable-feature=agent",
        f"--config.file={file}",
        f"--storage.agent.path={folder / 'agent'}",
        f"--web.listen-address=127.0.0.1:{free_tcp_port()}",
    ]
    with subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as program:
        try:
            yield program.pid
        finally:
            program.kill()


def _row(beside: bool, own: bool) -> dict[str, float]:
    with tempfile.TemporaryDirectory() as made, receiver(Path(made)) as server:
        server.begin()
        more = f"fleet: {{write: '{server.write}'}}\n" if own else ""
        with (
            running(more) as (daemon, api, _),
            _agent_mode(Path(made), api, server) if beside else nullcontext(0) as other,
        ):
            counted = [pid for pid in (daemon, other) if pid]
            sleep_s(WARM_S)
            before, began = sum(map(_spent_s, counted)), CLOCK.mono_ns()
            sleep_s(COUNT_S)
            core = (sum(map(_spent_s, counted)) - before) / (CLOCK.mono_ns() - began) * 1e9
            now = CLOCK.utc_ns() / 1e9
            series = server.query('count({__name__!=""})', now)
            return {
                "core_percent": 100 * core,
                "memory_mb": sum(map(_memory_mb, counted)),
                "series_at_server": float(series[0]["value"][1]) if series else 0.0,
            }


def run() -> Iterator[tuple[str, dict[str, float]]]:
    yield "daemon alone", _row(beside=False, own=False)
    yield "daemon that writes", _row(beside=False, own=True)
    yield "daemon and agent mode", _row(beside=True, own=False)


if __name__ == "__main__":
    for name, found in run():
        print(json.dumps({"what": name, **{k: round(v, 2) for k, v in found.items()}}), flush=True)
