"""One benchmark figure and how it is printed."""

import json

from msgspec import Struct, field


class Figure(Struct, frozen=True, kw_only=True):
    """A measured value beside its target; `beside` holds yardsticks of the same run."""

    bench: str
    value: float
    unit: str
    target: float
    ok: bool
    beside: dict[str, float] = field(default_factory=dict)

    def line(self) -> str:
        return json.dumps(
            {
                "bench": self.bench,
                "value": self.value,
                "unit": self.unit,
                "target": self.target,
                "ok": self.ok,
                "beside": self.beside,
            }
        )
