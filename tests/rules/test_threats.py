"""Every test that the threat model names is there."""

import re
from pathlib import Path

from fuzz.targets import TARGETS

TOP = Path(__file__).parents[2]
MODEL = (TOP / "DEVELOPERS.md").read_text().partition("## Threat model")[2].partition("\n## ")[0]


def test_every_test_and_target_of_the_threat_model_exists() -> None:
    files = [*(TOP / "tests").rglob("test_*.py")]
    told = {name for file in files for name in re.findall(r"^def (test_\w+)", file.read_text(), re.MULTILINE)}
    named = set(re.findall(r"`(test_\w+)`", MODEL))
    assert len(named) > 20
    assert not named - told
    paths = set(re.findall(r"`(tests/[\w./]+|test_\w+\.py)`", MODEL))
    assert not {p for p in paths if not (TOP / p).exists() and p not in {f.name for f in files}}
    targets = re.findall(r"`(\w+)`", "".join(re.findall(r"\| the targets? ([^|]+)\|", MODEL)))
    assert targets
    assert not set(targets) - set(TARGETS)
