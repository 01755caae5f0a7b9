"""What a pool with moderators or a level has in common: it stands beside the plain pool of the same panels."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property
from typing import TYPE_CHECKING, Any, ClassVar

from metasense.core.draws import Draws
from metasense.results import page
from metasense.results.base import PROB, Pool
from metasense.results.pooled import Pooled
from metasense.showing import pages


class BesidePlain(Pool):
    """A pool into which moderators or a level were put; the plain pool stays at hand as ``plain``."""

    draws: Any  # posterior draws of the pool's own model
    _instead: ClassVar[Mapping[str, str]] = {}  # for names that people look for: where it is to be found here

    @cached_property
    def plain(self) -> Pooled:
        """The same panels, margin and priors without moderators or level."""
        return Pooled(self.core)

    if not TYPE_CHECKING:  # a checker should go on seeing which names there are

        def __getattr__(self, name):
            text = f"{type(self).__name__!r} object has no attribute {name!r}"
            hint = self._instead.get(name)
            if hint is None and not name.startswith("_") and hasattr(Pooled, name):
                hint = f"the plain pool in it has: .plain.{name}"
            raise AttributeError(f"{text}; {hint}" if hint else text, name=name, obj=self)

    @property
    def _drawn(self) -> Draws:
        """The draws with what panels share in them."""
        raise NotImplementedError

    def _all_draws(self) -> Draws:
        found: Draws = self._drawn
        return found

    def _title(self) -> str:
        """What was put in, as the heading of its part of the page."""
        return f"With {self._put_in()}"

    def _page(self) -> pages.Page:
        return page.beside_plain(
            self.core,
            title=self._title(),
            headline=self.headline(),
            parts=self._parts(),
            own_notes=self.notes,
            own_methods=tuple(self._methods()),
            figure=self._drawing(PROB),
            rows=self._rows(),
            verdict=self._one_verdict(),
        )

    def _one_verdict(self) -> str:
        """The verdict, where there is one for the whole answer; else empty."""
        return ""
