"""Upstream transfers against a real web server behind a token bucket, both ways."""

import tempfile
from collections.abc import Iterator
from pathlib import Path
from statistics import median

import pytest

from support.bulk_path import shape
from support.fetching import fetch
from support.namespaces import V4, Path4, four_nodes
from support.nginx import web_server

pytestmark = [pytest.mark.lab, pytest.mark.slow]

PAYLOAD = 1448 / 1514
PORT = 8080


@pytest.fixture(scope="module")
def path() -> Iterator[Path4]:
    # Not pytest's own folder: another session of it may close that to the web server's user meanwhile.
    with tempfile.TemporaryDirectory() as folder, four_nodes() as built:
        shape(built, 40e6, 0.1)
        shape(built, 200e6, 0.1, node="edge", device="router")
        with web_server(Path(folder) / "nginx", V4["far"], PORT, inside=built.argv("far", [])):
            yield built


# A server's congestion control is not ours to choose: where it probes its rate (bbr, this kernel's default),
# one connection reads some per cent low for seconds.
@pytest.mark.parametrize(("streams", "within"), [(1, 0.1), (3, 0.03)])
def test_a_download_finds_the_lines_rate_down(path: Path4, streams: int, within: float) -> None:
    said = fetch(
        f"http://{V4['far']}:{PORT}/large.bin",
        inside=lambda argv: path.argv("host", argv),
        streams=streams,
        limit_s=5,
        limit_octets=10**9,
    )
    settled = said["done"]["sent"]["settled"]
    assert settled["rate_bps"] == pytest.approx(200e6 * PAYLOAD, rel=within)
    assert said["done"]["received"]["cpu"] > 0


def test_an_upload_finds_the_lines_rate_up(path: Path4) -> None:
    said = fetch(
        f"http://{V4['far']}:{PORT}/up",
        "out",
        inside=lambda argv: path.argv("host", argv),
        limit_s=5,
        limit_octets=10**9,
        probe_octets=10**6,
    )
    sent = said["done"]["sent"]
    # nginx answers HEAD of it; through a queue of 100 ms each step of a fresh connection takes about as long
    beside = said["done"]["beside"]
    assert len(beside["http"]) >= 3
    assert median(ms for _, ms in beside["tcp"]) == pytest.approx(sent["loaded"]["mean_ms"], rel=0.5)
    assert median(ms for _, ms in beside["tcp"]) > 30
    assert sent["settled"]["rate_bps"] == pytest.approx(40e6 * PAYLOAD, rel=0.03)
    assert sent["busy"] > 0.9


@pytest.mark.parametrize(("way", "place"), [("back", "large.bin"), ("out", "up")])
def test_a_byte_limit_is_kept(path: Path4, way: str, place: str) -> None:
    counted = Path("/sys/class/net/router/statistics")
    before = sum(int(path.run("host", "cat", str(counted / f"{n}_bytes"))) for n in ("rx", "tx"))
    said = fetch(
        f"http://{V4['far']}:{PORT}/{place}",
        way,
        inside=lambda argv: path.argv("host", argv),
        limit_s=10,
        limit_octets=4_000_000,
    )
    after = sum(int(path.run("host", "cat", str(counted / f"{n}_bytes"))) for n in ("rx", "tx"))
    assert said["done"]["sent"]["ended"] == "bytes"
    assert after - before <= 4_000_000
