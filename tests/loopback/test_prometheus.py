"""Rules, queries and the console against a real Prometheus server that scrapes our exporters' real data."""

import re
import subprocess
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path

import pytest
import yaml

from support.need import need_program
from support.scraped_home import AGENTS, RULES, TOP, Scraped, scraped_home
from whichhop.model.fleet import PREFIX, WindowMetric
from whichhop.net.http_client import fetch
from whichhop.serve.catalogue import CATALOGUE, exposed_name
from whichhop.serve.exposition import MetricKind

pytestmark = [pytest.mark.slow, pytest.mark.waits]


def rules(name: str) -> list[dict[str, str]]:
    groups = yaml.safe_load((RULES / name).read_text())["groups"]
    return [rule for group in groups for rule in group["rules"]]


def queries() -> list[str]:
    return re.findall(r"```promql\n(.*?)```", (RULES / "queries.md").read_text(), re.S)


def without_threshold(expression: str) -> str:
    """The expression's vectors, whether or not they are over the alert's limit now."""
    return re.sub(r"\s*(?:>=|<=|==|>|<)\s*-?[\d.]+", "", expression)


@pytest.fixture(scope="module")
def scraped(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Scraped]:
    with scraped_home(tmp_path_factory.mktemp("prometheus")) as found:
        yield found


def test_promtool_finds_every_rule_and_alert_as_worked_out_by_hand() -> None:
    files = sorted(str(p) for p in (TOP / "tests" / "data" / "prometheus").glob("*.test.yml"))
    assert len(files) == 3
    done = subprocess.run(
        [need_program("promtool"), "test", "rules", *files], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_every_rule_and_every_alert_has_a_test() -> None:
    tried = "".join(p.read_text() for p in (TOP / "tests" / "data" / "prometheus").glob("*.test.yml"))
    every = [r for name in ("recording.yml", "alerts.yml", "fleet.yml") for r in rules(name)]
    names = [r.get("record") or r["alert"] for r in every]
    assert not [name for name in names if name not in tried]


def test_every_metric_that_is_asked_for_is_in_the_catalogue() -> None:
    known = {exposed_name(m) for m in CATALOGUE.values()}
    for metric in CATALOGUE.values():
        if metric.kind is MetricKind.HISTOGRAM:
            known |= {f"{metric.name}_{part}" for part in ("bucket", "count", "sum")}
    text = "".join(r["expr"] for name in ("recording.yml", "alerts.yml") for r in rules(name))
    known |= {PREFIX + metric for metric in WindowMetric}
    text += "".join(r["expr"] for r in rules("fleet.yml"))
    text += "".join(queries()) + (RULES / "consoles" / "home.html").read_text()
    asked = set(re.findall(r"(?<![:\w])whichhop_\w+", text))
    assert asked <= known
    assert len(asked) > 10


@pytest.mark.parametrize("rule", rules("recording.yml"), ids=lambda r: r["record"])
def test_a_recording_rule_has_data(rule: dict[str, str], scraped: Scraped) -> None:
    assert scraped.answer(rule["record"])


@pytest.mark.parametrize("rule", rules("alerts.yml"), ids=lambda r: r["alert"])
def test_an_alerts_metrics_have_data(rule: dict[str, str], scraped: Scraped) -> None:
    assert scraped.answer(without_threshold(rule["expr"]))


@pytest.mark.parametrize("query", queries(), ids=lambda q: " ".join(q.split())[:60])
def test_a_documented_query_has_data(query: str, scraped: Scraped) -> None:
    assert scraped.answer(query)


def test_labels_survive_the_scrape_as_the_rules_name_them(scraped: Scraped) -> None:
    # A static label of the scrape file that a metric has too would push the metric's own aside.
    assert not scraped.query('{__name__=~"whichhop_.+",exported_node!=""}')
    assert not scraped.query('{__name__=~"whichhop_.+",exported_agent!=""}')
    everyone = f"count(group by (home, agent) (whichhop_agent_info)) == {len(AGENTS)}"
    assert scraped.answer(everyone)


class Cells(HTMLParser):
    """The text of every table row, and the names of elements left open."""

    def __init__(self) -> None:
        super().__init__()
        self.rows: list[list[str]] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in ("meta", "rect"):
            self.open.append(tag)
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        pass

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] in ("td", "th", "a"):
            self.rows[-1][-1] += data.strip()


def test_the_console_shows_the_home_from_the_servers_own_data(scraped: Scraped, tmp_path: Path) -> None:
    page = fetch(f"{scraped.base}/consoles/home.html").decode()
    assert "Alder House: which hop is at fault" in page
    assert "<script" not in page
    assert not re.search(r'(?:src|href)="?https?:', page)
    assert "ZgotmplZ" not in page  # what the template engine writes in place of what it refuses
    cells = Cells()
    cells.feed(page)
    assert not cells.open
    assert ["Alder House", "upstream-link", "modem/provider-edge", "90 %"] in cells.rows
    session = next(row for row in cells.rows if row[:3] == ["desk", "harbour", "stamp"])
    assert all(session[3:7]), session
    assert ["modem", "down-1", "+1.0 dBmV", "41.0 dB", "0.1 %"] in cells.rows
    assert page.count('class="column"') >= 24  # one a session at least
    assert sum(row[-1] == "yes" for row in cells.rows if row) == len(AGENTS)
