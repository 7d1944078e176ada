"""`whichhop compare` on recorded samples: the verdict as text and as data, and what it refuses."""

import gzip
import json
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from msgspec.structs import replace

from whichhop.app.advice_of_home import line_explanations
from whichhop.cabling.level_readings import to_readings
from whichhop.cli import main
from whichhop.compare.comparison import compare_records
from whichhop.config.check import House
from whichhop.config.keys import create_key
from whichhop.lab.demo.run import recorded_folder
from whichhop.lab.standard_home import HOME_FILE, alder_home
from whichhop.model import Cause, Record
from whichhop.model.channel import Carrier, Channel, Direction, ModemLevels
from whichhop.model.figure_words import TOO_LITTLE_YET, TOO_SHORT
from whichhop.model.levels_source import LevelsSource
from whichhop.model.units import NS_PER_MINUTE
from whichhop.store.files import read_file

pytestmark = pytest.mark.slow


def home_file(folder: Path) -> Path:
    path = folder / "alder.yaml"
    path.write_text(HOME_FILE)
    create_key(folder / "alder.key")
    return path


def recorded(folder: Path, story: str) -> Path:
    records = folder / "records"
    records.mkdir()
    shutil.copy(recorded_folder() / f"{story}.jsonl.gz", records)
    return records


def went_on(records: Path) -> Path:
    """The healthy recording in that folder, and all once more right behind it: 280 s.

    The router, whose agent was begun last, is not heard of for half a minute in between.
    """
    with gzip.open(records / "none.jsonl.gz", "rt") as file:
        lines = [json.loads(line) for line in file]

    def later(text: str) -> str:
        second, _, rest = text.removesuffix("Z").partition(".")
        return f"{(datetime.fromisoformat(second) + timedelta(seconds=140)).isoformat()}.{rest or '0'}Z"

    more = (line | {when: later(line[when])} for line in lines for when in ("sent", "at") if when in line)
    (records / "more.jsonl").write_text("".join(f"{json.dumps(line)}\n" for line in more))
    return records


def test_a_recorded_fault_is_named_in_text_and_in_data(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["compare", str(home_file(tmp_path)), "--records", str(recorded(tmp_path, "wireless-hop"))]
    assert main(words) == 0
    text = capsys.readouterr().out
    assert "wireless-hop" in text
    assert "The wireless hop: the link desk to attic" in text
    assert "Ruled out:" in text
    assert main([*words, "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert [v["elements"] for v in data["verdicts"]] == [["desk/attic"]]
    assert data["agents"] == []
    assert "Timed by the kernel's stamps in" in text
    assert data["stamps"].keys() == set(data["sessions"])
    # This home file names no way to read its modem's levels, so nothing is said of them.
    assert data["line"] == [None]


def test_a_healthy_recording_is_called_healthy(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    records = went_on(recorded(tmp_path, "none"))
    assert main(["compare", str(home_file(tmp_path)), "--records", str(records)]) == 0
    text = capsys.readouterr().out
    assert "No fault found in the time that was judged: nothing measured then exceeds its own" in text
    assert TOO_SHORT not in text


def test_less_than_three_minutes_without_a_verdict_are_not_called_free_of_faults(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """140 s: what was wrong before the first packet is not known yet; the page says the same of them."""
    words = ["compare", str(home_file(tmp_path)), "--records", str(recorded(tmp_path, "none"))]
    assert main(words) == 0
    text = capsys.readouterr().out
    assert TOO_LITTLE_YET in text
    assert TOO_SHORT in text
    assert "No fault found" not in text


def test_time_in_which_an_agent_was_no_witness_is_not_passed_off_as_healthy(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    records = went_on(recorded(tmp_path, "none"))
    first = min(x.minute for x in read_file(records / "none.jsonl.gz") if isinstance(x, Record))
    begin = datetime.fromtimestamp(first * 60 + 60, UTC)
    # the hypervisor takes two fifths of the attic's processor for a minute, the second one
    (records / "stolen.jsonl").write_text(
        "".join(
            json.dumps(
                {
                    "at": (begin + timedelta(seconds=10 * i)).isoformat().replace("+00:00", "Z"),
                    "agent": "attic",
                    "counter": "steal_ratio",
                    "value": 0.4,
                }
            )
            + "\n"
            for i in range(6)
        )
    )
    words = ["compare", str(home_file(tmp_path)), "--records", str(records)]
    assert main(words) == 0
    text = capsys.readouterr().out
    assert "Not judged, the agent having been busy, asleep or unreachable: attic 1 min 10 s, " in text
    assert "No fault found in the time that was judged" in text
    assert main([*words, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["not_judged_s"]["attic"] == 70.0


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--records", "{empty}"], "no *.jsonl file there"),
        (["--records", "{records}", "--offline"], "exclude each other"),
        (["--records", "{records}", "--from", "noon"], "--from noon: not a time"),
        (["--records", "{records}", "--from", "2026-03-02", "--to", "2026-03-01"], "is not after --from"),
        (["--records", "{records}", "--to", "2020-01-01T00:00Z"], "nothing of this home was measured"),
        (["--records", "{records}", "--to", "1970-01-01"], "nothing can have been measured by then"),
        (["--records", "{records}", "--from", "9999-12-31"], "is not after --from 9999-12-31"),
        (["--records", "{records}x"], "no such file or folder"),
        (["--offline", "--store", "{empty}/c.db"], "nothing is kept there, and --offline asks no agent"),
    ],
)
def test_what_cannot_be_judged_is_one_line_with_exit_code_two(
    words: list[str], told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    empty = tmp_path / "empty"
    empty.mkdir()
    places = {"empty": empty, "records": recorded(tmp_path, "none")}
    assert main(["compare", str(home_file(tmp_path)), *(w.format(**places) for w in words)]) == 2
    (line,) = capsys.readouterr().err.strip().splitlines()
    assert told in line


def test_a_bad_line_in_a_file_names_file_line_and_key(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    records = tmp_path / "records"
    records.mkdir()
    (records / "x.jsonl").write_text('{"sent": "yesterday", "agent": "desk"}\n')
    assert main(["compare", str(home_file(tmp_path)), "--records", str(records)]) == 2
    assert "x.jsonl:1" in capsys.readouterr().err


def test_a_verdict_about_the_line_is_joined_by_what_the_modem_says() -> None:
    everything = read_file(recorded_folder() / "upstream-link.jsonl.gz")
    records = [x for x in everything if isinstance(x, Record)]
    readings = [x for x in everything if not isinstance(x, Record)]
    start = min(r.minute for r in records) * NS_PER_MINUTE
    end = (max(r.minute for r in records) + 1) * NS_PER_MINUTE
    found = compare_records(alder_home(), records, readings, start_ns=start, end_ns=end)
    assert found is not None
    (verdict,) = [v for v in found.verdicts if v.cause is Cause.UPSTREAM_LINK]

    def said(power_dbmv: float) -> str:
        # -15..+15 dBmV is the published receive range, -7..+7 common practice.
        channels = tuple(
            Channel(
                direction=Direction.DOWN,
                channel_id=i,
                carrier=Carrier.SC_QAM,
                frequency_hz=(600 + 6 * i) * 1_000_000,
                width_hz=6_000_000,
                modulation=256,
                locked=True,
                power_dbmv=power_dbmv,
                mer_db=41.0 if power_dbmv > -10 else 29.0,
            )
            for i in range(1, 9)
        )
        levels = ModemLevels(node="modem", at_ns=start, channels=channels)
        told = [*readings, *to_readings(levels, "router")]
        (line,) = line_explanations([verdict], found.end_ns, House(home=read, run=None, boxes=()), told)
        assert line is not None
        return line.sentence

    read = replace(alder_home(), levels={"modem": LevelsSource(snmp="192.0.2.254")})
    assert said(0.0) != said(-14.0)
    assert "clean" in said(0.0)
    never_read = House(home=alder_home(), run=None, boxes=())
    assert line_explanations([verdict], found.end_ns, never_read, readings) == [None]


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("", "the files hold no packets"),
        (
            '{"sent": "2026-03-01T18:00:00Z", "agent": "loft", "target": "shed",'
            ' "method": "echo", "rtt_s": 0.1}',
            "what is kept is of loft>shed:echo; give the home file that it was measured with",
        ),
    ],
)
def test_records_of_another_home_are_told_as_that_and_not_as_another_time(
    line: str, told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Both once said to name a span, or to start agents; the second one the span that had been asked for."""
    records = tmp_path / "evening.jsonl"
    records.write_text(line + "\n")
    assert main(["compare", str(home_file(tmp_path)), "--records", str(records)]) == 2
    (said,) = capsys.readouterr().err.splitlines()
    assert told in said


def test_packets_of_an_agent_that_the_home_file_does_not_name_are_told_beside_the_answer(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A node that got another name in the middle: half of what was measured was passed over in silence."""
    records = tmp_path / "evening.jsonl"
    line = (
        '{{"sent": "2026-03-01T18:0{}:{:02}Z", "agent": "{}", "target": "{}", "method": "echo",'
        ' "rtt_s": 0.01}}'
    )
    asked = [("desk", "provider-edge"), ("loft", "router"), ("desk", "shed")]
    records.write_text("\n".join(line.format(m, s, *a) for m in range(2) for s in range(60) for a in asked))
    home = home_file(tmp_path)
    main(["compare", str(home), "--records", str(records)])
    told = f"Not judged: packets of or to loft and shed, which the files hold and {home} does not name."
    assert told in capsys.readouterr().out
    records.write_text("\n".join(line.format(m, s, *asked[0]) for m in range(2) for s in range(60)))
    main(["compare", str(home), "--records", str(records)])
    assert "does not name" not in capsys.readouterr().out
