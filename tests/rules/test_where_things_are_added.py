"""The guide's table of where things are added is true: each is added to a copy by its row alone."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]
TABLE = (TOP / "DEVELOPERS.md").read_text().partition("## Where things are added")[2].partition("\n## ")[0]

# row of the table -> what is written: a new file, or lines put after a line that is there
WRITTEN: dict[str, dict[str, str | list[tuple[str, str]]]] = {
    "a probe kind": {
        "probes/kinds/dust.py": '''
"""Asks for dust."""

class DustProber:
    def __init__(self, sink, clock):
        self.sink, self.clock, self.method = sink, clock, "dust"

    def open(self, loop):
        pass

    def send(self, key, address):
        from whichhop.model import Fate, Sample
        self.sink(key, Sample(sent_ns=self.clock.utc_ns(), fate=Fate.ANSWERED, rtt_ns=7))

    def close(self):
        pass
''',
        "probes/table.py": [
            (
                "from whichhop.probes.base import Prober, SessionFacts, Sink\n",
                "from whichhop.probes.kinds.dust import DustProber\n",
            ),
            (
                "    Method.ECHO: _echo,\n",
                "    Method.DUST: lambda needs: DustProber(needs.sink, needs.clock),\n",
            ),
        ],
        "model/session.py": [('    ECHO = "echo"\n', '    DUST = "dust"\n')],
    },
    "a fault of the emulated home": {
        "lab/scenario.py": [("    outage: bool = False\n", "    each_lost: int = 0\n")],
        "lab/links/fault_words.py": [
            (
                "WORDS: dict[str, Word] = {\n",
                '    "lose-each": Word("each_lost", ("COUNT",), lambda _kind, word: int(word), str),\n',
            )
        ],
        "lab/links/impairment.py": [
            ("    own_sources: tuple[str, ...] = ()\n", "    each_lost: int = 0\n"),
            (
                "                outage=out.outage or effect.outage,\n",
                "                each_lost=effect.each_lost or out.each_lost,\n",
            ),
            (
                "        counts.taken += 1\n",
                "        if s.each_lost and counts.taken % s.each_lost == 0:\n            return None\n",
            ),
        ],
    },
    "a step of advice": {
        "advice/dust.py": '''
"""Dust off the boxes."""
from whichhop.advice.step import RecommendationKind, Recommendation
from whichhop.model.inner_cause import Cost, Effort

def steps(known):
    yield Recommendation(key="dust", kind=RecommendationKind.FIX, what="Dust the boxes",
               where="router", why=("dusty",), gains=(), worth=0.5, effort=Effort.MINUTES, cost=Cost.NOTHING)
''',
        "advice/rank.py": [
            ("from whichhop.advice import (\n    backhaul,\n", "    dust,\n"),
            ("    rooms = (", "dust, "),
        ],
    },
    "a metric": {
        "serve/catalogue.py": [
            ("    for m in (\n", '        _row("dust", G, AGENT, "", "Dust on the boxes."),\n')
        ],
    },
    "a verb": {
        "cli/measuring/dust.py": '''
"""Says where dust lies."""

def add_arguments(verb):
    verb.add_argument("room")

def run(args):
    print("dust in", args.room)
    return 0
''',
        "cli/__init__.py": [
            (
                "VERBS: tuple[tuple[str, str, str], ...] = (\n",
                '    ("dust", "measuring.dust", "say where dust lies"),\n',
            )
        ],
    },
}

# What is then seen, each by the copy alone; a name a row.
SEEN = {
    "a fault of the emulated home": """
from whichhop.lab.links.fault_words import GRAMMAR, effect_words, parse_effect
from random import Random
from whichhop.lab.links.impairment import Lane, combine
from whichhop.lab.scenario import LinkNature, FaultWay
effect = parse_effect("lose-each 4 up")
assert "lose-each COUNT" in GRAMMAR
assert effect_words(effect) == "lose-each 4 up"
up, down = (Lane(Random(1), combine(LinkNature(), [effect], way)) for way in (FaultWay.UP, FaultWay.DOWN))
assert [n for n in range(8) if up.fate(n, 100) is None] == [3, 7]
assert None not in [down.fate(n, 100) for n in range(8)]
""",
    "a step of advice": """
from whichhop.advice.facts import HomeFacts
from whichhop.advice.rank import advise
from whichhop.lab.standard_home import alder_home
found = advise(HomeFacts(home=alder_home(), home_file="alder.yaml", start_ns=0, end_ns=10**9))
assert found[0].what == "Dust the boxes", found
""",
    "a probe kind": """
from whichhop.daemon.probers import ProberMaker, estimate_now
from whichhop.model import Method, Path, Session, SessionKey
from whichhop.net.clock import SystemClock
from whichhop.config.check import check_home
from whichhop.config.load import load_yaml
text = "home: x\\nnodes: {router: {kind: router, address: 192.0.2.1},"
text += " desk: {kind: host, address: 192.0.2.2, agent: true}}\\nlinks: [{join: [desk, router], kind: wired}]"
samples = []
sink = lambda key, sample: samples.append((key, sample))
maker = ProberMaker(check_home(load_yaml(text, "x")), sink, SystemClock(), estimate_now, bytes(32))
key = SessionKey(agent="desk", target="router", method=Method.DUST)
prober = maker.probers([Session(key=key, address="192.0.2.2", path=Path(nodes=(), links=()))])[Method.DUST]
prober.send(key, "192.0.2.2")
assert [(k, s.rtt_ns) for k, s in samples] == [(key, 7)]
""",
    "a metric": """
from whichhop.serve.catalogue import markdown
from whichhop.serve.exporter import exposition
from whichhop.serve.live import LiveState
live = LiveState(home="Alder House", agent="desk", names=())
live.values["dust"] = 3.0
lines = exposition(live, "")[0].decode().splitlines()
assert 'whichhop_dust{agent="desk",home="Alder House"} 3.0' in lines
assert "Dust on the boxes." in markdown()
""",
    "a verb": """
import contextlib, io
from whichhop.cli import main
said = io.StringIO()
with contextlib.redirect_stdout(said):
    assert main(["dust", "attic"]) == 0
assert said.getvalue() == "dust in attic\\n"
""",
}

RUN = """
import json, sys, traceback
results = {}
for row, code in json.load(sys.stdin).items():
    try:
        exec(code, {})
        results[row] = ""
    except BaseException:
        results[row] = traceback.format_exc()
import whichhop
print(json.dumps([whichhop.__file__, results]))
"""


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """What went wrong with each row in a copy in which everything of WRITTEN is there; "" for nothing."""
    folder = tmp_path_factory.mktemp("copy")
    package = folder / "whichhop"
    shutil.copytree(TOP / "agent" / "whichhop", package, ignore=shutil.ignore_patterns("__pycache__"))
    for files in WRITTEN.values():
        for name, what in files.items():
            path = package / name
            if isinstance(what, str):
                path.write_text(what)
                continue
            text = path.read_text()
            for after, lines in what:
                assert text.count(after) == 1, f"{name} has no longer one {after!r}"
                text = text.replace(after, after + lines)
            path.write_text(text)
    done = subprocess.run(
        [sys.executable, "-c", RUN],
        env={**os.environ, "PYTHONPATH": str(folder)},
        input=json.dumps(SEEN),
        capture_output=True,
        text=True,
        check=True,
        cwd=folder,
    )
    where, found = json.loads(done.stdout.splitlines()[-1])
    assert Path(where).is_relative_to(folder), "the copy is what ran"
    return dict(found)


@pytest.mark.slow
@pytest.mark.parametrize("row", WRITTEN)
def test_what_the_guides_row_says_is_enough(row: str, results: dict[str, str]) -> None:
    assert results[row] == ""


@pytest.mark.parametrize("row", WRITTEN)
def test_every_file_that_is_written_stands_in_the_guides_row(row: str) -> None:
    (line,) = [line for line in TABLE.splitlines() if line.startswith(f"| {row} |")]
    for name, what in WRITTEN[row].items():
        known = name if isinstance(what, list) else f"{name.rpartition('/')[0]}/NAME.py"
        assert f"`{known}`" in line, f"{known} is not in the row of {row}"


def test_every_file_that_the_guide_names_is_there() -> None:
    named = [
        word
        for word in TABLE.split("`")[1::2]
        if word.endswith(".py") and "NAME" not in word and "*" not in word
    ]
    roots = (TOP / "agent" / "whichhop", TOP)
    assert named
    assert not [name for name in named if not any((root / name).is_file() for root in roots)]
