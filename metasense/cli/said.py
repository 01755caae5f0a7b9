"""Words or a table out of a result, shown as results are."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from metasense.showing.results import Result


@dataclass(frozen=True, eq=False, repr=False)
class Said(Result):
    """Words or a table, with the numbers they rest on."""

    part: Any
    frame: Any

    def to_frame(self) -> Any:
        return self.frame

    def statement(self) -> str:
        return str(self.part) if isinstance(self.part, str) else ""

    def _shown(self) -> list[Any]:
        return [self.part]
