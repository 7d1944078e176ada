"""Two homes on one real Prometheus server: whose alert is whose, told once, and the list of homes."""

import json
import subprocess
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from typing import Any
from urllib.parse import urlsplit

import pytest
from msgspec import Struct
from msgspec.structs import replace

from support.agent_server import serving
from support.bulletins import at_fault, calm, group
from support.need import need_program
from support.ports import free_tcp_port
from support.scraped_home import RULES
from whichhop.cli import main
from whichhop.lab.standard_home import alder_home
from whichhop.model.bulletin import Bulletin
from whichhop.net.clock import SystemClock, sleep_s
from whichhop.net.http_client import HttpClient, fetch
from whichhop.serve.live import LiveState

pytestmark = [pytest.mark.slow, pytest.mark.waits]


def now(bulletin: Bulletin) -> Bulletin:
    """The same at this moment, its agents heard as long ago as they were."""
    moved_ns = SystemClock().utc_ns() - bulletin.at_ns
    agents = tuple(replace(a, heard_ns=a.heard_ns and a.heard_ns + moved_ns) for a in bulletin.agents)
    return replace(bulletin, at_ns=bulletin.at_ns + moved_ns, agents=agents)


class Servers(Struct):
    prometheus: str
    alerts: str

    def ringing(self) -> list[dict[str, Any]]:
        return list(json.loads(fetch(f"{self.alerts}/api/v2/alerts")))

    def ring(self, alerts: list[dict[str, Any]]) -> None:
        """Hand alerts over as Prometheus does."""
        body, told = json.dumps(alerts).encode(), {"Content-Type": "application/json"}
        HttpClient(seconds=10, most_octets=10_000, follow=False).ask(
            f"{self.alerts}/api/v2/alerts", headers=told, body=body
        )


@contextmanager
def program(*words: str) -> Iterator[None]:
    running = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        yield
    finally:
        running.terminate()
        running.wait(20)


@pytest.fixture(scope="module")
def servers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Servers]:
    """Alder compares twice and has a group at fault, rowan a line, hazel nothing; birch has no comparer."""
    prometheus, manager = need_program("prometheus"), need_program("prometheus-alertmanager")
    folder = tmp_path_factory.mktemp("homes")
    said = {
        ("Alder House", "router"): now(group()),
        ("Alder House", "study"): now(group()),
        ("Rowan House", "router"): now(at_fault()),
        ("Hazel House", "router"): now(replace(calm(), told=())),
        ("Birch House", "router"): None,
    }
    with ExitStack() as stack:
        jobs = []
        for place, ((home, agent), bulletin) in enumerate(said.items()):
            live = LiveState(home=home, agent=agent, names=alder_home().nodes)
            live.judged = bulletin
            base = stack.enter_context(serving(folder / f"{place}.db", agent=agent, live=live))
            jobs.append({"targets": [urlsplit(base).netloc], "labels": {"home": home}})
        port, alerts = free_tcp_port(), free_tcp_port()
        # The shipped rules at a test's pace; JSON is YAML.
        rules = (RULES / "alerts.yml").read_text().replace("for: 1m", "for: 1s")
        (folder / "alerts.yml").write_text(rules)
        config = {
            "global": {"scrape_interval": "1s", "evaluation_interval": "1s"},
            "rule_files": ["alerts.yml"],
            "scrape_configs": [{"job_name": "whichhop", "honor_labels": True, "static_configs": jobs}],
            "alerting": {"alertmanagers": [{"static_configs": [{"targets": [f"127.0.0.1:{alerts}"]}]}]},
        }
        (folder / "prometheus.yml").write_text(json.dumps(config))
        stack.enter_context(
            program(
                manager,
                f"--config.file={RULES / 'alertmanager.yml'}",
                f"--web.listen-address=127.0.0.1:{alerts}",
                f"--storage.path={folder / 'alerts'}",
                "--cluster.listen-address=",
            )
        )
        stack.enter_context(
            program(
                prometheus,
                f"--config.file={folder / 'prometheus.yml'}",
                f"--storage.tsdb.path={folder / 'data'}",
                f"--web.listen-address=127.0.0.1:{port}",
            )
        )
        found = Servers(f"http://127.0.0.1:{port}", f"http://127.0.0.1:{alerts}")
        for _ in range(150):
            try:
                if len({a["labels"]["home"] for a in found.ringing()}) == 2:
                    break
            except Exception:  # noqa: BLE001 - it is not up yet
                pass
            sleep_s(0.2)
        yield found


def test_each_alert_says_whose_home_it_is_and_a_fault_of_three_members_seen_by_two_agents_rings_once(
    servers: Servers,
) -> None:
    ringing = [a for a in servers.ringing() if a["labels"]["alertname"] == "WhichhopFault"]
    assert sorted((a["labels"]["home"], a["labels"]["elements"]) for a in ringing) == [
        ("Alder House", "desk/attic or node:attic or attic/router"),
        ("Rowan House", "attic/router"),
    ]
    assert all(a["annotations"]["summary"].startswith(f"{a['labels']['home']}: ") for a in ringing)


def test_a_region_or_a_silent_home_rings_once_and_what_follows_from_it_does_not(servers: Servers) -> None:
    # The alerts of deploy/prometheus/fleet.yml, with the labels that its rule test holds them to.
    told = [
        {"alertname": "WhichhopRegionLoss", "region": "north", "kind": "hop"},
        {"alertname": "WhichhopRegionSilent", "region": "east", "kind": "hop"},
        {"alertname": "WhichhopHomeLoss", "home": "a", "region": "north", "kind": "symptom"},
        {"alertname": "WhichhopHomeLoss", "home": "b", "region": "south", "kind": "symptom"},
        {"alertname": "WhichhopHomeLoss", "home": "c", "kind": "symptom"},
        {"alertname": "WhichhopHomeSilent", "home": "c", "kind": "agent"},
        {"alertname": "WhichhopHomeSilent", "home": "d", "region": "north", "kind": "agent"},
        {"alertname": "WhichhopHomeSilent", "home": "e", "region": "east", "kind": "agent"},
    ]
    servers.ring([{"labels": {"fleet": "tried", **labels}} for labels in told])
    wanted = {
        ("WhichhopRegionLoss", "north"),
        ("WhichhopRegionSilent", "east"),
        ("WhichhopHomeLoss", "b"),
        ("WhichhopHomeSilent", "c"),
        ("WhichhopHomeSilent", "d"),
    }
    # The manager takes in what rings a moment after it has said yes, and what silences it a moment later.
    for _ in range(50):
        ringing = {
            (a["labels"]["alertname"], a["labels"].get("home", a["labels"].get("region")))
            for a in servers.ringing()
            if a["labels"].get("fleet") and not a["status"]["inhibitedBy"]
        }
        if ringing == wanted:
            break
        sleep_s(0.2)
    assert ringing == wanted


def test_the_list_of_homes_has_the_worst_first_with_what_to_do(
    servers: Servers, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["homes", "--prometheus", servers.prometheus]) == 1
    text = capsys.readouterr().out
    assert text.startswith("4 homes: 2 fault, 1 not judged, 1 no fault.")
    assert text.index("Rowan House") < text.index("Alder House") < text.index("Birch House")
    assert "Hazel House" not in text
    assert "Probability of fault 98 %, since 2026-03-01" in text
    assert "Do next: Move what stands between" in text
    assert main(["homes", "--prometheus", servers.prometheus, "--all"]) == 1
    assert "Hazel House" in capsys.readouterr().out


def test_one_home_by_its_name_and_as_data(servers: Servers, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["homes", "--prometheus", servers.prometheus, "Hazel House", "--json"]) == 0
    (row,) = json.loads(capsys.readouterr().out)
    assert (row["home"], row["state"], row["faults"]) == ("Hazel House", "no fault", [])
    assert main(["homes", "--prometheus", servers.prometheus, "Alder House"]) == 1
    assert "desk/attic or the box attic itself or attic/router" in capsys.readouterr().out
    assert main(["homes", "--prometheus", servers.prometheus, "hazel"]) == 2
    assert "there is Hazel House" in capsys.readouterr().err
    assert main(["homes", "--prometheus", "http://127.0.0.1:1"]) == 2
