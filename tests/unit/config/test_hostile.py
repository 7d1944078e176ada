"""A home file can be anything: one clear line each, exit code 2, within seconds."""

import subprocess
import sys
import time
from pathlib import Path

import pytest

from whichhop.config.check import MOST_AGENTS, read_home
from whichhop.errors import ConfigError
from whichhop.printable import printable

HEAD = "home: Alder House\nnodes:\n  router: {kind: router, address: 192.0.2.1, agent: true}\n"


def crowd(agents: int) -> str:
    nodes = "".join(
        f"  a{i}: {{kind: host, address: 10.1.{i // 250}.{i % 250 + 1}, agent: true}}\n"
        for i in range(agents)
    )
    links = "".join(f"  - {{join: [a{i}, router], kind: wired}}\n" for i in range(agents))
    return f"home: X\nnodes:\n  router: {{kind: router, address: 192.0.2.1}}\n{nodes}links:\n{links}"


ODD: dict[str, bytes | str] = {
    "a list": "- a\n",
    "a word": "a\n",
    "a number": "5\n",
    "nothing": "",
    "a null": "~\n",
    "a NUL": "home: \0\n",
    "no UTF-8": b"home: \xff\xfe\n",
    "UTF-16": "home: X\n".encode("utf-16"),
    "a tab": "home:\tX\n\tnodes: {}\n",
    "tabs on every line": HEAD + "\tx: 1\n" * 20_000,
    "a zero-width space in a name": HEAD.replace("router:", "rou\u200bter:"),
    "tag characters": HEAD.replace("Alder House", "Alder\U000e0041House"),
    "a byte-order mark within": HEAD + "\ufefflinks: []\n",
    "UTF-16 without its mark": HEAD.encode("utf-16-le"),
    "a zone of an address": HEAD.replace("192.0.2.1", '"fe80::1%eth0"'),
    "an escape code behind a zone": HEAD.replace("192.0.2.1", '"fe80::1%\\e[2J"'),
    "deep brackets": "[" * 100_000,
    "deep braces": "{a: " * 20_000,
    "deep dashes": "- " * 60_000,
    "deep keys": "".join(" " * i + "a:\n" for i in range(600)),
    "aliases": "a: &a [x,x,x,x,x,x,x,x,x]\n"
    + "".join(f"{chr(98 + i)}: &{chr(98 + i)} [{','.join(['*' + chr(97 + i)] * 9)}]\n" for i in range(9)),
    "an alias of itself": "a: &a [*a]\n",
    "merge keys": "a: &a {b: 1}\nc: {<<: *a}\n",
    "400 digits": HEAD + f"limits: {{keep_days: {'9' * 400}}}\n",
    "5000 digits": HEAD + f"limits: {{keep_days: {'9' * 5000}}}\n",
    "a float of 400 digits": HEAD + f"limits: {{store_mb: {'9' * 400}.0}}\n",
    "infinity": HEAD + "limits: {store_mb: .inf}\n",
    "no number": HEAD + "limits: {store_mb: .nan}\n",
    "1e999": HEAD + "limits: {store_mb: 1e+999}\n",
    "unknown keys": "".join(f"k{i}: 1\n" for i in range(20_000)),
    "very many unknown keys": "".join(f"k{i}: 1\n" for i in range(100_000)),
    "keys of keys": "? [a, b]\n: c\n? {a: b}\n: c\n",
    "repeated keys": "home: X\n" * 20_000,
    "escape codes": 'home: "\\e[2Jgone"\n',
    "escape codes in a key": '"\\e[2J": x\n',
    "a surrogate": 'home: "\\ud800"\n',
    "an escape past Unicode": 'home: "\\UFFFFFFFF"\n',
    "a directive": "%YAML 99999999999999999999999999.1\n---\nhome: X\n",
    "python": "home: !!python/object/apply:os.system [id]\n",
    "a long word": "home: " + "x" * 200_000 + "\n",
    "a long file": "#" * 3_000_000,
    "500 agents": crowd(500),
    "2000 links": HEAD + "links:\n" + "  - {join: [router, router], kind: wired}\n" * 2000,
}


@pytest.mark.parametrize("kind", ODD)
def test_an_odd_home_file_is_a_few_clear_lines_in_seconds(kind: str, tmp_path: Path) -> None:
    path = tmp_path / "home.yaml"
    text = ODD[kind]
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    begin = time.process_time()
    with pytest.raises(ConfigError) as caught:
        read_home(path)
    assert time.process_time() - begin < 20.0  # a third of that at most where this was written
    lines = str(caught.value).split("\n")
    assert 1 <= len(lines) <= 21
    for line in lines:
        assert line.startswith(f"{path}:")
        assert printable(line) == line
        assert len(line) < 700


@pytest.mark.slow
def test_the_command_says_it_with_exit_code_2_and_no_traceback(tmp_path: Path) -> None:
    path = tmp_path / "home.yaml"
    path.write_text("- a\n")
    done = subprocess.run(
        [sys.executable, "-m", "whichhop", "check", str(path)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert done.stdout == ""
    assert len(done.stderr.splitlines()) == 1
    assert "not a mapping" in done.stderr


@pytest.mark.slow
def test_a_home_with_as_many_agents_as_may_be_is_checked_in_seconds(tmp_path: Path) -> None:
    from whichhop.compare.suspects.vantage import separation
    from whichhop.model import derive_sessions

    path = tmp_path / "home.yaml"
    path.write_text(crowd(MOST_AGENTS))
    begin = time.process_time()
    home = read_home(path)
    found = separation(home, derive_sessions(home))
    assert time.process_time() - begin < 30.0  # some 3 s where this was written
    assert found.rank == MOST_AGENTS  # in a star every leaf's link shows in what it alone crosses
