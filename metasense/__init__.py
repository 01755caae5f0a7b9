"""Pool sensory discrimination panels on one variable, and say what is now known.

Start with ``ms.read_panels("my_panels.csv")`` and give the result to ``ms.pool``. The public names are listed below by
the file that defines them; each is imported when it is first used, so that ``import metasense`` costs next to nothing
and reading a table never waits for a sampler to load.
"""

from importlib import import_module
from typing import TYPE_CHECKING

__version__ = "0.1.0"

_NAMES_BY_FILE = {
    "protocols": ("PROTOCOLS", "protocol"),
    "margins": ("Margin",),
    "tables.sheets": ("PanelsError",),
    "tables.panels": ("Panels", "Tastings", "read_panels", "read_tastings"),
    "alone.panel": ("OnePanel",),
    "alone.single": ("one_panel",),
    "card": ("Card",),
    "engine.priors": ("Priors",),
    "questions.tasters": ("tasters",),
    "questions.preference": ("preference",),
    "questions.effects": ("serving_effects",),
    "results.pooled": ("Pooled",),
    "results.pooling": ("load", "pool"),
    "planning.chances": ("assurance", "verdict_chances"),
    "planning.sizes": (
        "compare_protocols",
        "critical_number",
        "power",
        "similarity_limit",
        "tasters_needed",
    ),
    "planning.looks": ("cost_of_looks", "sequential_plan", "two_stage_plan"),
    "questions.plan": ("Plan",),
    "questions.next_panel": ("plan_next",),
    "planning.serving": ("serve",),
    "planning.served": ("read_answers",),
    "results.rerun": ("Rerun", "rerun"),
    "claims.check": ("ClaimCheck", "check_claim"),
    "showing.tables": ("write_csv",),
    "explorers": ("explore",),
}
_FILE_OF = {name: file for file, names in _NAMES_BY_FILE.items() for name in names}
__all__ = list(_FILE_OF)

if TYPE_CHECKING:  # the same table, for editors and mypy (a test compares the two)
    from metasense.alone.panel import OnePanel as OnePanel
    from metasense.alone.single import one_panel as one_panel
    from metasense.card import Card as Card
    from metasense.claims.check import ClaimCheck as ClaimCheck
    from metasense.claims.check import check_claim as check_claim
    from metasense.engine.priors import Priors as Priors
    from metasense.explorers import explore as explore
    from metasense.margins import Margin as Margin
    from metasense.planning.chances import assurance as assurance
    from metasense.planning.chances import verdict_chances as verdict_chances
    from metasense.planning.looks import cost_of_looks as cost_of_looks
    from metasense.planning.looks import sequential_plan as sequential_plan
    from metasense.planning.looks import two_stage_plan as two_stage_plan
    from metasense.planning.served import read_answers as read_answers
    from metasense.planning.serving import serve as serve
    from metasense.planning.sizes import compare_protocols as compare_protocols
    from metasense.planning.sizes import critical_number as critical_number
    from metasense.planning.sizes import power as power
    from metasense.planning.sizes import similarity_limit as similarity_limit
    from metasense.planning.sizes import tasters_needed as tasters_needed
    from metasense.protocols import PROTOCOLS as PROTOCOLS
    from metasense.protocols import protocol as protocol
    from metasense.questions.effects import serving_effects as serving_effects
    from metasense.questions.next_panel import plan_next as plan_next
    from metasense.questions.plan import Plan as Plan
    from metasense.questions.preference import preference as preference
    from metasense.questions.tasters import tasters as tasters
    from metasense.results.pooled import Pooled as Pooled
    from metasense.results.pooling import load as load
    from metasense.results.pooling import pool as pool
    from metasense.results.rerun import Rerun as Rerun
    from metasense.results.rerun import rerun as rerun
    from metasense.showing.tables import write_csv as write_csv
    from metasense.tables.panels import Panels as Panels
    from metasense.tables.panels import Tastings as Tastings
    from metasense.tables.panels import read_panels as read_panels
    from metasense.tables.panels import read_tastings as read_tastings
    from metasense.tables.sheets import PanelsError as PanelsError


def __getattr__(name: str) -> object:
    if name not in _FILE_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = globals()[name] = getattr(import_module(f"{__name__}.{_FILE_OF[name]}"), name)
    return value


def __dir__() -> list[str]:
    return sorted([*__all__, "__version__"])
