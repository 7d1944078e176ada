"""Holds a report's dossier against one made again from the raw records, figure by figure."""

from collections.abc import Iterator, Sequence

from msgspec import Struct
from msgspec.structs import replace

from whichhop.model.dossier import Claim, Dossier, PlanRow, Reach, SessionRow

NEAR = 1e-6
"""Relative: other versions of the arithmetic library may differ in the last digits."""


class FigureCheck(Struct, frozen=True, kw_only=True):
    """One thing held against the records. said: what the report says; found: what the records give."""

    name: str
    holds: bool
    said: str
    found: str


def _same(a: object, b: object) -> bool:
    if isinstance(a, float | int) and isinstance(b, float | int):
        return a == b or abs(a - b) <= NEAR * max(abs(a), abs(b))
    return a == b


def check(name: str, said: object, found: object) -> FigureCheck:
    """One comparison; numbers may differ by a millionth part."""
    return FigureCheck(name=name, holds=_same(said, found), said=str(said), found=str(found))


def _claim(said: Claim | None, found: Claim | None) -> Iterator[FigureCheck]:
    if said is None or found is None:
        yield check(
            "claim",
            "nothing happened" if said is None else said.where,
            "nothing happened" if found is None else found.where,
        )
        return
    for name in (
        "made",
        "cause",
        "elements",
        "sentence",
        "probability",
        "missing",
        "would_change",
        "cleared",
        "not_left_out",
        "shares",
    ):
        yield check(f"claim {name.replace('_', ' ')}", getattr(said, name), getattr(found, name))
    now = {f.name: f for f in found.figures}
    for figure in said.figures:
        other = now.get(figure.name)
        for part in ("value", "low", "high", "count"):
            yield check(
                f"figure {figure.name} {part}",
                getattr(figure, part),
                getattr(other, part) if other else "missing",
            )
    yield check("figures in all", len(said.figures), len(found.figures))


_COUNTED = ("samples", "aside", "sent", "lost", "median_s", "quiet_sent", "quiet_lost", "quiet_s", "crosses")


def _session(said: SessionRow, found: SessionRow | None) -> Iterator[FigureCheck]:
    if found is None:
        yield FigureCheck(
            name=f"session {said.session}", holds=False, said="measured", found="no record of it"
        )
        return
    yield check(f"session {said.session} digest of samples", said.digest, found.digest)
    for name in _COUNTED:
        yield check(
            f"session {said.session} {name.replace('_', ' ')}", getattr(said, name), getattr(found, name)
        )


def _plan(said: Sequence[PlanRow], found: Sequence[PlanRow]) -> Iterator[FigureCheck]:
    now = {row.way: row for row in found}
    for row in said:
        other = now.pop(row.way, None)
        holds = other is not None and _alike(row, other)
        yield FigureCheck(
            name=f"plan {row.way}",
            holds=holds,
            said=row.words,
            found=other.words if other else "no test of it",
        )
    for row in now.values():
        yield FigureCheck(name=f"plan {row.way}", holds=False, said="not in the report", found=row.words)


def _why(said: Dossier, found: Dossier) -> Iterator[FigureCheck]:
    """Why the hop is slow, and what to do about it, as the records have it."""
    if said.claim is None or found.claim is None:
        return
    for name in ("inside", "steps"):
        a, b = getattr(said.claim, name), getattr(found.claim, name)
        yield FigureCheck(name=f"claim {name}", holds=_close(a, b), said=str(a), found=str(b))


def _without_why(dossier: Dossier) -> Dossier:
    return replace(dossier, episodes=tuple(replace(h, why=None) for h in dossier.episodes))


def checks(said: Dossier, found: Dossier) -> tuple[FigureCheck, ...]:
    """Every figure of the report, the claim first."""
    out = list(_claim(said.claim, found.claim))
    told = said.claim is not None and said.claim.inside is not None
    if said.software == found.software or told or any(h.why for h in said.episodes):
        out += _why(said, found)
    else:  # an earlier version did not look into the hop
        found = _without_why(found)
    # An earlier version told neither.
    late = ("reach", "felt") if said.software == found.software or said.felt or said.reach != Reach() else ()
    out += _plan(said.plan, found.plan)
    out.append(check("episodes", len(said.episodes), len(found.episodes)))
    for i, (a, b) in enumerate(zip(said.episodes, found.episodes, strict=False), 1):
        out.append(FigureCheck(name=f"episode {i}", holds=_close(a, b), said=str(a), found=str(b)))
    now = {row.session: row for row in found.sessions}
    for row in said.sessions:
        out += _session(row, now.pop(row.session, None))
    out += [
        FigureCheck(name=f"session {name}", holds=False, said="not in the report", found="measured")
        for name in now
    ]
    for name in ("wiring", "levels", "level_times", "channels", "route", *late):
        a, b = getattr(said, name), getattr(found, name)
        words = name.replace("_", " ")
        out.append(FigureCheck(name=words, holds=_close(a, b), said=str(a), found=str(b)))
    drawn = said.charts == found.charts
    out.append(FigureCheck(name="charts", holds=drawn, said="as drawn", found="as counted"))
    return tuple(out)


def _close(a: object, b: object) -> bool:
    """Equal throughout, numbers to a millionth part."""
    if isinstance(a, tuple) and isinstance(b, tuple):
        return len(a) == len(b) and all(_close(x, y) for x, y in zip(a, b, strict=True))
    if isinstance(a, Struct) and type(a) is type(b):
        return all(_close(getattr(a, n), getattr(b, n)) for n in a.__struct_fields__)
    return _same(a, b)


def _alike(a: Struct, b: Struct) -> bool:
    return all(_same(getattr(a, n), getattr(b, n)) for n in a.__struct_fields__)
