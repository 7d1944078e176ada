"""What a wish for a transfer comes to, or the reason why there is none."""

import pytest

from support.homes import ALDER_TEXT, alder, home_of
from whichhop.daemon.transfer.jobs import SkippedError, jobs_of

BOTH = ["out", "back"]
OWN = ALDER_TEXT.replace("stamp: true}}", "stamp: true, clients: [192.0.2.0/24]}}")
URLS = "  downloads: ['https://files.example.net/large.bin']\n  uploads: ['https://files.example.net/in']\n"


def test_another_agent_is_one_job_a_way_with_delay_watched_to_it() -> None:
    home = alder()
    jobs = jobs_of(home, home.nodes["desk"], "attic", BOTH)
    assert [(j.way, j.address, j.load_target) for j in jobs] == [
        ("out", "192.0.2.2", "attic"),
        ("back", "192.0.2.2", "attic"),
    ]


def test_upstream_is_the_users_urls_where_there_are_some_else_a_peers_agent() -> None:
    home = home_of(ALDER_TEXT + URLS)
    jobs = jobs_of(home, home.nodes["study"], "upstream", BOTH)
    assert [(j.other_end, j.way, j.url.rpartition("/")[2], j.load_target) for j in jobs] == [
        ("downloads", "back", "large.bin", "harbour"),
        ("uploads", "out", "in", "harbour"),
    ]
    own = home_of(OWN)
    assert {j.other_end for j in jobs_of(own, own.nodes["study"], "upstream", BOTH)} == {"harbour"}


@pytest.mark.parametrize(
    ("other_end", "why"),
    [
        ("router", "no agent runs on 'router'; transfers are possible to: attic, study, upstream"),
        ("moon", "no agent runs on 'moon'"),
        ("harbour", "no agent runs on 'harbour'"),
        ("desk", "would measure nothing"),
        ("upstream", "name targets.downloads or targets.uploads"),
    ],
)
def test_what_cannot_be_done_is_refused_with_the_remedy(other_end: str, why: str) -> None:
    home = alder()
    with pytest.raises(SkippedError, match=why):
        jobs_of(home, home.nodes["desk"], other_end, BOTH)
