"""The table's judgement of a run, on verdicts written by hand."""

from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from packet_suite.runs import INSIDE, KINDS, OWN, runs_of, zone_at
from packet_suite.scoring import accused, kind_of, of_inside, outcome, table
from whichhop.config.check import check_home
from whichhop.config.load import load_yaml
from whichhop.lab.links.elements import check_effect, find_spot
from whichhop.lab.links.fault_words import parse_effect
from whichhop.model import derive_sessions


def verdict(cause: str, *elements: str, proven: bool = True) -> dict[str, Any]:
    return {"cause": cause, "elements": list(elements), "proven": proven, "probability": 0.98}


RADIO = verdict("backhaul", "attic/router")
LINE = verdict("upstream-link", "modem/provider-edge")
OWN_TRAFFIC = verdict("own-traffic", "own-traffic")
UNSURE = verdict("not-separable", "attic/router", "node:attic")


@pytest.mark.parametrize(
    ("kind", "said", "came"),
    [
        ("backhaul-radio", [RADIO], "right"),
        ("backhaul-radio", [], "abstained"),
        ("backhaul-radio", [UNSURE], "abstained"),
        ("backhaul-radio", [verdict("not-separable", "desk/attic", "air:attic")], "wrong"),
        ("backhaul-radio", [RADIO, LINE], "wrong"),
        ("backhaul-radio", [verdict("backhaul", "landing/router")], "wrong"),
        ("none", [], "right"),
        ("none", [RADIO], "wrong"),
        ("agent-host", [], "right"),
        ("agent-host", [verdict("agent-host", "host:desk")], "right"),
        ("agent-host", [verdict("wireless-hop", "desk/attic")], "wrong"),
        ("provider-and-own", [LINE, OWN_TRAFFIC], "right"),
        ("provider-and-own", [LINE], "right"),
        ("provider-and-own", [OWN_TRAFFIC], "half"),
        ("own-traffic", [OWN_TRAFFIC], "right"),
        ("own-traffic", [LINE], "wrong"),
        ("not-separable", [UNSURE], "right"),
        ("not-separable", [RADIO], "wrong"),
    ],
)
def test_what_was_said_is_held_against_what_was_done(
    kind: str, said: list[dict[str, Any]], came: str
) -> None:
    assert outcome(kind_of(kind), said) == came


def test_the_provider_is_accused_only_by_a_proven_verdict_on_what_is_not_its_own() -> None:
    doubt = verdict("upstream-link", "modem/provider-edge", "own-traffic", proven=False)
    assert accused(OWN, [LINE])
    assert not accused(OWN, [doubt])
    assert not accused(kind_of("upstream-link"), [LINE])
    assert not accused(kind_of("provider-and-own"), [LINE])


def test_the_table_counts_every_run_once() -> None:
    rows = [
        {"home": 0, "name": "backhaul-radio", "words": "loss 10%", "verdicts": [RADIO], "right_s": 31.0},
        {"home": 0, "name": "own-traffic", "words": "", "verdicts": [LINE], "right_s": None},
        {"home": 1, "name": "none", "words": "", "verdicts": [], "right_s": None},
    ]
    text = "\n".join(table(rows))
    assert "provider blamed, proven, in 3 runs whose fault was not the provider's: 1" in text
    assert "seconds to the right verdict, 1 runs: median 31, longest 31" in text
    (last,) = [line for line in text.splitlines() if line.startswith("all ")]
    assert last.split()[1:] == ["3", "2", "0", "0", "1"]


def test_every_kind_can_be_played_in_the_suites_home() -> None:
    from packet_suite.runs import HOME

    home = check_home(load_yaml(HOME, "suite"))
    agents = {s.key.agent for s in derive_sessions(home)}
    for kind in (*KINDS, *INSIDE):
        assert set(kind.silent) < agents
        if not kind.resolver and kind.element and not kind.load:
            for words in kind.effects:
                check_effect(find_spot(home, kind.element), parse_effect(words))
    names = [run.kind.name for run in runs_of(0, len(KINDS) + 1)]
    assert set(names) == {k.name for k in KINDS}
    assert names.count("own-traffic") == 2
    sizes = {home: [run.words for run in runs_of(home, 3)] for home in range(3)}
    assert len({words[0] for words in sizes.values()}) == 3


@pytest.mark.parametrize(
    ("inside", "came"),
    [
        ([("busy-channel", 0.9), ("scanning", 0.05)], "right"),
        ([("scanning", 0.9)], "wrong"),
        ([("busy-channel", 0.6)], "abstained"),
        ([], "abstained"),
    ],
)
def test_the_cause_inside_is_held_against_what_was_done(inside: list[tuple[str, float]], came: str) -> None:
    reasons = [{"cause": cause, "probability": p} for cause, p in inside]
    said = verdict("wireless-hop", "desk/attic") | {"inside": {"reasons": reasons}}
    assert of_inside(kind_of("busy-channel"), [said]) == came
    assert of_inside(kind_of("busy-channel"), [RADIO]) == "no hop"
    asleep = "No hop is slow, but Wi-Fi of desk: its radio sleeps between\n          packets (power save)"
    assert of_inside(kind_of("power-save"), [], asleep) == "right"
    assert of_inside(kind_of("power-save"), [], "No fault found") == "no hop"


@pytest.mark.parametrize("utc_hour", range(24))
def test_it_is_evening_in_the_suites_homes(utc_hour: int) -> None:
    # The zones of tz database's "Etc", whose names have the sign of POSIX: Etc/GMT-3 is three hours ahead.
    at = datetime(2026, 3, 1, utc_hour, 30, tzinfo=UTC)
    assert at.astimezone(ZoneInfo(zone_at(utc_hour))).hour == 20
