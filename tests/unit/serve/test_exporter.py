import subprocess

import pytest
from hypothesis import given
from hypothesis import strategies as st
from prometheus_client.exposition import generate_latest as plain_text
from prometheus_client.metrics_core import Metric as TheirFamily
from prometheus_client.openmetrics.exposition import generate_latest as openmetrics_text
from prometheus_client.openmetrics.parser import text_string_to_metric_families as openmetrics_families
from prometheus_client.parser import text_string_to_metric_families as text_families
from prometheus_client.registry import Collector
from prometheus_client.utils import floatToGoString

from support.bulletins import MINUTE_NS, NOW_NS, group
from support.channels import down, reading, up
from support.live import ECHO, NAMES, STAMP, busy_state
from support.need import need_program
from whichhop import __version__
from whichhop.cabling.level_readings import metric_rows
from whichhop.model import Fate
from whichhop.model.hop_facts import FACT_NAMES
from whichhop.probes.admission import Turned
from whichhop.serve.catalogue import BUCKETS_S, CATALOGUE
from whichhop.serve.exporter import LiveFamilies, exposition
from whichhop.serve.exposition import HOME, Family, MetricKind, number, openmetrics, plain
from whichhop.serve.live import LiveState
from whichhop.wire.quoted import Refusal

OPENMETRICS = "application/openmetrics-text;version=1.0.0,text/plain;version=0.0.4;q=0.5"
NAMES_OF = {"agent": "desk", "target": "attic", "method": "stamp"}


def samples(
    accept: str, live: LiveState | None = None
) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    body, content_type = exposition(live or busy_state(), accept)
    parse = openmetrics_families if "openmetrics" in content_type else text_families
    found = {}
    for family in parse(body.decode()):
        for sample in family.samples:
            place = (sample.name, tuple(sorted(sample.labels.items())))
            assert place not in found, "a series stands twice"
            found[place] = sample.value
    return found


@pytest.mark.parametrize(
    ("accept", "media"),
    [
        (OPENMETRICS, "application/openmetrics-text"),
        ("text/plain;version=0.0.4", "text/plain"),
        ("*/*", "text/plain"),
        ("", "text/plain"),
        ("nonsense;;;=", "text/plain"),
        ("application/openmetrics-text", "application/openmetrics-text"),
        ("text/html, Application/OpenMetrics-Text ; VERSION=1.1 ;q=0.2", "application/openmetrics-text"),
        ("application/openmetrics-text; version=0.0.1", "text/plain"),
        # Found by fuzzing: the library answered with this version, and failed (its own fault made a 500).
        ("application/openmetrics-text; version=1.0.0\xed\xa0\x80", "application/openmetrics-text"),
        ("application/openmetrics-text; version=" + "9" * 400, "text/plain"),
    ],
)
def test_the_form_asked_for_is_given(accept: str, media: str) -> None:
    body, content_type = exposition(busy_state(), accept)
    assert content_type.split(";")[0] == media
    assert body.endswith(b"# EOF\n") == (media != "text/plain")


class Theirs(Collector):
    """The same families as the general-purpose library takes them."""

    def __init__(self, families: list[Family], common: dict[str, str]) -> None:
        self.families, self.common = families, common

    def collect(self) -> list[TheirFamily]:
        out = []
        for ours in self.families:
            row = ours.row
            unit = row.unit if row.name.endswith(f"_{row.unit}") else ""
            theirs = TheirFamily(row.name, row.words, row.kind, unit)
            for suffix, labels, bound, value in ours.samples:
                le = {"le": bound} if bound else {}
                theirs.add_sample(row.name + suffix, {**self.common, **labels, **le}, value)
            out.append(theirs)
        return out


@pytest.mark.parametrize("home", ["Alder House", 'C:\\Alder "House"\nof two lines, 木'])
def test_the_text_is_the_librarys_to_the_octet(home: str) -> None:
    # prometheus_client, the reference library of both forms
    families, common = list(LiveFamilies(busy_state())), {HOME: home}
    assert openmetrics(families, common) == openmetrics_text(Theirs(families, common))  # type: ignore[no-untyped-call]
    assert plain(families, common) == plain_text(Theirs(families, common))


@given(
    st.floats()
    | st.integers(-(2**70), 2**70)
    | st.sampled_from([1e5, 123456.5, 1e6, 1234567.0, 1e16, 0, -1e9])
)
def test_numbers_are_written_as_the_library_writes_them(value: float) -> None:
    assert number(value) == floatToGoString(value)  # type: ignore[no-untyped-call]


@pytest.mark.parametrize("accept", [OPENMETRICS, "text/plain"])
def test_prometheus_clients_own_parser_reads_back_the_state(accept: str) -> None:
    live = busy_state()
    found = samples(accept, live)

    def value(name: str, **labels: str) -> float:
        return found[name, tuple(sorted({"home": live.home, **labels}.items()))]

    state = live.session(STAMP)
    assert value("whichhop_packets_sent_total", **NAMES_OF) == state.sent == 204
    for direction, fate in (
        ("from-agent", Fate.LOST_OUT),
        ("to-agent", Fate.LOST_BACK),
        ("unknown", Fate.LOST),
    ):
        assert value("whichhop_packets_lost_total", **NAMES_OF, direction=direction) == state.fates[fate]
    assert value("whichhop_packets_late_total", **NAMES_OF) == 1
    assert value("whichhop_packets_not_judged_total", **NAMES_OF, reason="clock-step") == 1
    assert value("whichhop_packets_skipped_total", **NAMES_OF) == 4
    assert value("whichhop_packets_duplicated_total", **NAMES_OF) == 2
    assert value("whichhop_round_trip_seconds_count", **NAMES_OF) == state.fates[Fate.ANSWERED]
    assert value("whichhop_round_trip_seconds_sum", **NAMES_OF) == pytest.approx(state.rtt_sum_ns / 1e9)
    assert value("whichhop_round_trip_seconds_bucket", **NAMES_OF, le="+Inf") == state.fates[Fate.ANSWERED]
    assert value("whichhop_session_clock_error_seconds", **NAMES_OF) == 0.0015
    assert value("whichhop_agent_info", agent="desk") == 1
    assert value("whichhop_loop_lateness_seconds", agent="desk") == 0.0004
    assert value("whichhop_asleep_seconds_total", agent="desk") == 2.5
    assert value("whichhop_clock_steps_total", agent="desk") == 1
    assert value("whichhop_send_failures_total", agent="desk") == 3
    assert value("whichhop_store_records_total", agent="desk") == 1
    assert value("whichhop_wan_received_bytes_total", agent="desk") == 2.0**40
    assert value("whichhop_fault_probability_ratio", element="desk/attic") == 0.93
    # One series a fault, however many elements cannot be told apart: an alert rings once.
    three = {"cause": "not-separable", "elements": "desk/attic or node:attic or attic/router"}
    assert value("whichhop_ongoing_fault_probability_ratio", **three) == 0.96
    assert value("whichhop_ongoing_fault_start_timestamp_seconds", **three) == (NOW_NS - 6 * MINUTE_NS) / 1e9
    elements = " or ".join(group().told[0].verdict.elements)
    inner = value("whichhop_inner_cause_probability_ratio", elements=elements, inner_cause="busy-channel")
    assert inner == 0.82
    assert value("whichhop_home_state", state="fault") == 1
    assert value("whichhop_home_judged_timestamp_seconds") == NOW_NS / 1e9 - 10
    assert value("whichhop_next_step_info", step=group().steps[0]) == 1
    assert value("whichhop_link_level_seconds", link="desk/attic") == 0.0021
    assert value("whichhop_link_level_most_seconds", link="desk/attic") == 0.0058
    assert any(name == "whichhop_build_info" and dict(k)["version"] == __version__ for name, k in found)


def test_every_row_of_the_catalogue_is_exported_with_just_its_labels() -> None:
    body, _ = exposition(busy_state(), OPENMETRICS)
    families = {f.name: f for f in openmetrics_families(body.decode())}
    assert set(families) == {row.name for row in CATALOGUE.values()}
    for row in CATALOGUE.values():
        family = families[row.name]
        assert family.type == row.kind
        assert family.documentation == row.words
        for sample in family.samples:
            assert set(sample.labels) - {"le"} == set(row.labels)


def test_the_number_of_series_is_bounded_by_the_home_file() -> None:
    found = samples(OPENMETRICS)
    a_session = (len(BUCKETS_S) + 1 + 2) + 1 + 3 + 1 + 4 + 1 + 3 + 2 + 1 + 1
    reasons = len(Turned) + len(Refusal) + 1
    a_modem = 2 + 2 * 4 + 3 + 2 + 4
    a_target = 2 * 12
    a_hop = len(FACT_NAMES)
    assert len(found) <= 2 * a_session + 2 + 10 + 2 + 1 + a_modem + a_target + a_hop + reasons
    targets = {dict(labels)["target"] for _, labels in found if "target" in dict(labels)}
    assert targets <= set(NAMES)


def test_an_agent_that_has_just_started_exports_what_it_is() -> None:
    live = LiveState(home="Alder House", agent="desk", names=NAMES)
    assert {name for name, _ in samples(OPENMETRICS, live)} == {"whichhop_build_info", "whichhop_agent_info"}
    live.session(ECHO)
    assert samples("text/plain", live)


@pytest.mark.parametrize("accept", ["text/plain"])
def test_promtool_finds_nothing_to_mend(accept: str) -> None:
    promtool = need_program("promtool")
    body, _ = exposition(busy_state(), accept)
    done = subprocess.run([promtool, "check", "metrics"], input=body, capture_output=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, b"", b"")


@pytest.mark.parametrize("accept", [OPENMETRICS, "text/plain"])
def test_a_modems_levels_are_exported_and_a_failed_reading_shows(accept: str) -> None:
    live = LiveState(home="Alder House", agent="desk", names=[*NAMES, "spare"])
    channels = [
        down(5, power_dbmv=-7.3, unerrored=9990, corrected=8, uncorrectable=2),
        up(2, power_dbmv=44.5, t3_timeouts=3),
    ]
    live.modems["modem"] = reading(channels, at_s=60.0)
    live.modems["spare"] = None
    found = samples(accept, live)

    def value(name: str, **labels: str) -> float:
        return found[name, tuple(sorted({"home": live.home, **labels}.items()))]

    one = {"node": "modem", "direction": "down", "channel": "down-5"}
    assert value("whichhop_modem_power_dbmv", **one) == -7.3
    assert value("whichhop_modem_codewords_total", **one, outcome="uncorrectable") == 2
    other = {"node": "modem", "direction": "up", "channel": "up-2"}
    assert value("whichhop_modem_ranging_timeouts_total", **other, timer="t3") == 3
    assert value("whichhop_modem_readable", node="modem") == 1
    assert value("whichhop_modem_readable", node="spare") == 0
    assert value("whichhop_modem_read_timestamp_seconds", node="modem") == 60.0


def test_every_metric_row_of_a_modem_is_in_the_catalogue() -> None:
    full = reading(
        [
            down(1, unerrored=1, corrected=1, uncorrectable=1),
            up(1, t3_timeouts=1, t4_timeouts=1),
        ]
    )
    for row in metric_rows(full):
        assert ("home", *(name for name, _ in row.labels)) == CATALOGUE[row.name].labels
        assert (CATALOGUE[row.name].kind is MetricKind.COUNTER) == row.total


def test_modems_of_a_changed_home_file_are_dropped() -> None:
    live = LiveState(home="Alder House", agent="desk", names=["modem"])
    live.modems["modem"] = None
    live.forget(["desk"], "Alder House")
    assert live.modems == {}
