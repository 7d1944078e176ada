"""What the daemon may use for its live figures loads no numpy."""

import subprocess
import sys

import pytest

LIGHT = (
    "call_quality",
    "jitter",
    "loss",
    "loss_model",
    "loss_pattern",
    "proportion",
    "rate",
    "responsiveness",
    "throughput",
)


@pytest.mark.slow
def test_the_daemons_measures_load_no_numpy() -> None:
    imports = "; ".join(f"import whichhop.stats.{name}" for name in LIGHT)
    code = f"import sys; {imports}; print([m for m in ('numpy', 'scipy', 'asyncio') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
