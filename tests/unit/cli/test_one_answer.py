"""The same records give the same answer by whichever verb: compare, evidence, advise, the live comparer."""

import json
import random
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from support.reported import recorded, span_of
from whichhop.app.live.live_comparison import live_comparison
from whichhop.cli import main
from whichhop.cli.answers.compare_live import state_words
from whichhop.compare.windows.table import TICK_NS
from whichhop.config.check import read_house
from whichhop.config.keys import create_key
from whichhop.lab.demo.run import recorded_folder
from whichhop.lab.standard_home import HOME_FILE
from whichhop.model import derive_sessions
from whichhop.store.store import Store

pytestmark = pytest.mark.slow

WITHOUT_TARGETS = HOME_FILE.partition("targets:")[0]


def words(folder: Path, story: str, home: str) -> list[str]:
    file = folder / "alder.yaml"
    file.write_text(home)
    create_key(folder / "alder.key")
    records = folder / "records"
    records.mkdir()
    (records / "story.jsonl.gz").write_bytes((recorded_folder() / f"{story}.jsonl.gz").read_bytes())
    return [str(file), "--records", str(records)]


def answer(capsys: pytest.CaptureFixture[str], *said: str) -> tuple[int, dict[str, Any]]:
    code = main([*said, "--json"])
    return code, json.loads(capsys.readouterr().out)


def facts(verdict: dict[str, Any]) -> tuple[Any, ...]:
    return tuple(
        tuple(value) if isinstance(value, list) else value
        for value in (verdict[k] for k in ("cause", "elements", "start_ns", "probability", "proven"))
    )


@pytest.mark.parametrize("story", ["wireless-hop", "backhaul", "upstream-link", "none"])
def test_every_verb_gives_the_verdicts_of_compare(
    story: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said = words(tmp_path, story, HOME_FILE)
    _, compared = answer(capsys, "compare", *said)
    told = [facts(v) for v in compared["verdicts"]]
    assert bool(told) == (story != "none")

    _, advised = answer(capsys, "advise", *said)
    same = ("home", "from_ns", "to_ns", "not_measured")
    assert {k: advised[k] for k in same} == {k: compared[k] for k in same}

    report = tmp_path / "report.json"
    main(["evidence", *said, "--json", str(report)])
    dossier = json.loads(report.read_text())
    assert (dossier["start_ns"], dossier["end_ns"]) == (compared["from_ns"], compared["to_ns"])
    assert [facts(v) for v in dossier["episodes"]] == told

    with Store.open(tmp_path / "live.db") as store:
        records, readings = recorded(story)
        store.append_all(records, readings)
        live = live_comparison(read_house(tmp_path / "alder.yaml"), "alder.yaml", store)
        # Asked at any time after the last packet, as by an agent that compares, the page or `status`.
        for later in (0, 6):
            end = compared["to_ns"] + later * TICK_NS
            bulletin = live.turn(end)
            assert bulletin is not None
            assert [(t.verdict.cause, t.verdict.elements) for t in bulletin.told] == [f[:2] for f in told]
            assert [t.verdict.proven for t in bulletin.told] == [f[4] for f in told]


def test_a_report_on_seldom_probes_says_what_compare_says(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One packet each ten seconds: windows of ten seconds are too short, and a report once found no fault."""
    said = words(tmp_path, "none", HOME_FILE)
    (tmp_path / "records" / "story.jsonl.gz").unlink()
    begin, dice = datetime(2026, 3, 1, 18, tzinfo=UTC), random.Random(1)
    lines = []
    for packet in range(360):
        for place, session in enumerate(derive_sessions(read_house(tmp_path / "alder.yaml").home)):
            slow = 0.12 if session.key.target == "harbour" and 180 <= packet < 240 else 0.0
            line = {
                "sent": f"{begin + timedelta(seconds=10 * packet, milliseconds=50 * place):%FT%T.%fZ}",
                "agent": session.key.agent,
                "target": session.key.target,
                "method": session.key.method,
                "rtt_s": round(0.01 * (1 + 0.1 * dice.random()) + slow, 6),
                "lost": None,
            }
            lines.append(json.dumps(line))
    (tmp_path / "records" / "hour.jsonl").write_text("\n".join(lines))

    _, compared = answer(capsys, "compare", *said)
    told = [facts(v) for v in compared["verdicts"]]
    assert told
    main(["evidence", *said, "--json", str(tmp_path / "report.json")])
    dossier = json.loads((tmp_path / "report.json").read_text())
    assert [facts(v) for v in dossier["episodes"]] == told


def test_without_a_target_no_verb_calls_the_line_free_of_faults(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The recorded fault of the line, seen by a home whose owner named nothing upstream."""
    said = words(tmp_path, "upstream-link", WITHOUT_TARGETS)
    line = "modem/provider-edge"
    for verb in ("compare", "advise"):
        main([verb, *said])
        text = capsys.readouterr().out
        assert "Not measured" in text, verb
        assert "modem to provider-edge" in text, verb
        assert "ealthy" not in text, verb
    assert answer(capsys, "compare", *said)[1]["not_measured"] == [line]
    with Store.open(tmp_path / "live.db") as store:
        records, readings = recorded("upstream-link")
        store.append_all(records, readings)
        live = live_comparison(read_house(tmp_path / "alder.yaml"), "alder.yaml", store)
        bulletin = live.turn(span_of(records)[1])
    assert bulletin is not None
    assert line in state_words(bulletin)
