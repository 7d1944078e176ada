"""The series that shows why a hop is slow tells times of day, in the home's zone or the viewer's."""

from zoneinfo import ZoneInfo

from whichhop.model.inner_cause import Drawing
from whichhop.report.evidence_plot import draw_evidence, evidence_words
from whichhop.serve.page.past import evidence

# Seen: "at 9.6 minutes into the time shown", of a time that nothing said when it began.
OVER_TIME = Drawing(
    title="Packet loss over time",
    x_words="time of day",
    y_words="%",
    x=(15.0, 45.0, 75.0, 105.0),
    y=(0.0, 50.0, 20.0, 0.0),
    start_ns=1_767_272_400 * 10**9,  # 2026-01-01 13:00:00 UTC
)


def test_the_report_tells_it_in_the_homes_zone() -> None:
    said = evidence_words(OVER_TIME, ZoneInfo("Asia/Kolkata"))
    assert said == "Packet loss over time: at most 50 %, at 2026-01-01 18:30:45 IST (UTC+5:30)"
    assert "18:31" in draw_evidence(OVER_TIME, ZoneInfo("Asia/Kolkata"))


def test_the_page_hands_the_instants_to_the_script() -> None:
    shown = evidence(OVER_TIME, 1_767_273_000 * 10**9)
    assert shown is not None
    assert 'datetime="2026-01-01T13:00:45Z"' in shown
    assert "time of day" not in shown
