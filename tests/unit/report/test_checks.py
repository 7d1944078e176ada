"""Holding dossier against dossier: a change of any figure is found, the last digits' noise is not."""

import pytest
from msgspec.structs import replace

from support.dossiers import dossier
from whichhop.report.checks import checks


def bad(changed: object) -> list[str]:
    return [c.name for c in checks(changed, dossier()) if not c.holds]  # type: ignore[arg-type]


def test_a_dossier_holds_against_itself() -> None:
    assert bad(dossier()) == []


@pytest.mark.parametrize("part", ["value", "low", "high", "count"])
def test_each_figure_changed_by_a_thousandth_part_is_found(part: str) -> None:
    said = dossier()
    assert said.claim is not None
    for i, figure in enumerate(said.claim.figures):
        value = getattr(figure, part)
        other = replace(figure, **{part: 1 if value is None else value * 1.001 + (value == 0)})
        figures = (*said.claim.figures[:i], other, *said.claim.figures[i + 1 :])
        changed = replace(said, claim=replace(said.claim, figures=figures))
        assert bad(changed) == [f"figure {figure.name} {part}"]


def test_noise_in_the_last_digits_is_let_pass() -> None:
    said = dossier()
    assert said.claim is not None
    figures = tuple(
        replace(f, value=None if f.value is None else f.value * (1 + 1e-12)) for f in said.claim.figures
    )
    assert bad(replace(said, claim=replace(said.claim, figures=figures))) == []


def test_a_figure_or_session_or_episode_left_out_or_put_in_is_found() -> None:
    said = dossier()
    assert said.claim is not None
    assert "figures in all" in bad(replace(said, claim=replace(said.claim, figures=said.claim.figures[1:])))
    assert bad(replace(said, sessions=said.sessions[1:])) == [f"session {said.sessions[0].session}"]
    assert "episodes" in bad(replace(said, episodes=()))
    assert bad(replace(said, claim=None)) == ["claim"]


def test_a_changed_plot_is_found() -> None:
    said = dossier()
    chart = replace(said.charts[0], use=said.charts[0].use[::-1])
    assert "charts" in bad(replace(said, charts=(chart,)))
