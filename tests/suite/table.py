"""The suite's figures as plain text."""

from typing import Any


def _percent(value: float | None) -> str:
    return "-" if value is None else f"{100 * value:.1f} %"


def _plain(value: float | None, form: str = "{:.2f}") -> str:
    return "-" if value is None else form.format(value)


def _rows(head: list[str], rows: list[list[str]]) -> None:
    widths = [max(len(r[i]) for r in (head, *rows)) for i in range(len(head))]
    for row in (head, ["-" * w for w in widths], *rows):
        print(
            "  ".join(
                c.ljust(w) if i == 0 else c.rjust(w) for i, (c, w) in enumerate(zip(row, widths, strict=True))
            )
        )
    print()


HEAD = [
    "method", "faults", "exact", "wrong", "missed", "late", "median/p90 s", "accused", "suspected",
    "proven right", "false home/day", "other/day", "ECE", "Brier", "abstains right", "s/hour",
]  # fmt: skip
FIRST_HEAD = [
    "recipe", "homes", "hours", "faults", "exact", "wrong", "missed", "p50/p90 s", "in 3 min", "in 10 min",
    "proven false", "headline", "of own", "unsplit", "false home/day", "other/day", "said/fault",
    "well blamed", "proven right", "abstains right", "ECE",
]  # fmt: skip


def _method_row(name: str, f: dict[str, Any]) -> list[str]:
    return [
        name,
        str(f["faults"]),
        _percent(f["exact"] if f["faults"] else None),
        _percent(f["wrong"] if f["faults"] else None),
        _percent(f["missed"] if f["faults"] else None),
        _percent(f["late"] if f["faults"] else None),
        f"{_plain(f['time_to_verdict_median_s'], '{:.0f}')}/{_plain(f['time_to_verdict_p90_s'], '{:.0f}')}",
        str(f["provider_accused_falsely"]),
        str(f["provider_suspected_falsely"]),
        f"{f['provider_proven_right']}/{f['provider_proven']}",
        _plain(f["false_home_episodes_a_day"]),
        _plain(f["false_other_episodes_a_day"]),
        _plain(f["calibration_error"], "{:.3f}"),
        _plain(f["brier"], "{:.3f}"),
        _percent(f["abstention_right"]),
        _plain(f["run_s_per_hour"]),
    ]


def _first_row(recipe: str, f: dict[str, Any]) -> list[str]:
    faults = f["faults"] > 0
    return [
        recipe,
        str(f["cases"]),
        f"{f['hours']:.0f}",
        str(f["faults"]),
        *(_percent(f[key] if faults else None) for key in ("exact", "wrong", "missed")),
        f"{_plain(f['time_to_verdict_median_s'], '{:.0f}')}/{_plain(f['time_to_verdict_p90_s'], '{:.0f}')}",
        _percent(f["standing_in_3_min"]),
        _percent(f["standing_in_10_min"]),
        str(f["provider_accused_falsely"]),
        str(f["provider_suspected_falsely"]),
        str(f["provider_headline_of_own_traffic"]),
        str(f["provider_proven_unsplit"]),
        _plain(f["false_home_episodes_a_day"]),
        _plain(f["false_other_episodes_a_day"]),
        _plain(f["verdicts_a_fault"]),
        f"{f['well_homes_blamed']}/{f['well_homes']}",
        f"{f['provider_proven_right']}/{f['provider_proven']}",
        _percent(f["abstention_right"]),
        _plain(f["calibration_error"], "{:.3f}"),
    ]


def print_recipes(figures: dict[str, Any], *, focus: str) -> None:
    """One row a recipe of the focused method: what a user would meet in such homes."""
    rows = [_first_row(recipe, methods[focus]) for recipe, methods in figures["recipes"].items()]
    print(f"{focus}: recipe by recipe")
    _rows(FIRST_HEAD, [*rows, _first_row("all", figures["all"][focus])])


def print_tables(figures: dict[str, Any], *, focus: str, brief: bool) -> None:
    """Every recipe with all methods unless brief, then the focused method alone: see `print_focus`."""
    print_recipes(figures, focus=focus)
    if not brief:
        print_methods(figures)
    print_focus(figures, focus=focus)


def print_methods(figures: dict[str, Any]) -> None:
    """Every recipe, and everything together, a row a method."""
    for recipe, methods in figures["recipes"].items():
        first = next(iter(methods.values()))
        print(f"{recipe}: {first['cases']} homes, {first['hours']:.0f} hours")
        _rows(HEAD, [_method_row(name, f) for name, f in methods.items()])
    print("everything together")
    _rows(HEAD, [_method_row(name, f) for name, f in figures["all"].items()])


def print_focus(figures: dict[str, Any], *, focus: str) -> None:
    """One method by cause, rhythm, size, what it took for what, and its reliability."""
    own = figures["all"][focus]
    for key in ("cause", "rhythm", "size"):
        rows = [
            [name, str(s["faults"]), *(_percent(s[k]) for k in ("exact", "wrong", "missed", "late"))]
            for name, s in own[key].items()
        ]
        print(f"{focus} by {key}")
        _rows([key, "faults", "exact", "wrong", "missed", "late"], rows)
    for title, key, head in (
        ("wrong answers", "confusion", ["truth", "said", "times"]),
        ("wrong verdicts", "false_alarms", ["said", "beside", "times"]),
    ):
        print(f"{focus}: {title}")
        _rows(head, [[str(row[k]) for k in head] for row in own[key][:12]])
    print(f"{focus}: claimed probability against truth")
    _rows(
        ["claimed", "verdicts", "mean claim", "right"],
        [
            [f"{r['from']:g} to {r['to']:g}", str(r["verdicts"]), f"{r['claimed']:.3f}", f"{r['right']:.3f}"]
            for r in own["reliability"]
        ],
    )
    bound = own["provider_accused_upper_bound"]
    print(
        f"{focus}: provider accused falsely {own['provider_accused_falsely']} times in "
        f"{own['home_side_faults']} home-side faults (95 % upper bound {_percent(bound)}); "
        f"wrong beside harmless events {own['wrong_beside_harmless']}, "
        f"extra verdicts beside true faults {own['extra_beside_faults']}; "
        f"named a group needlessly {own['abstained_needlessly']} times, "
        f"omitted one {own['abstention_omitted']} times\n"
    )
