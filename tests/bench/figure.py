"""One benchmark figure and how it is printed."""

import json
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
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
