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
    "tables.mending": ("mend",),
    "alone.panel": ("OnePanel",),
    "alone.single": ("one_panel",),
    "card": ("Card",),
    "engine.priors": ("Priors",),
    "questions.tasters": ("tasters",),
    "questions.preference": ("preference",),
    "questions.effects": ("serving_effects",),
    "results.pooled": ("Pooled",),
    "results.pooling": ("load", "pool"),
    "results.pymc_model": ("pymc_model",),
    "results.shelf": ("pool_each",),
    "planning.chances": ("assurance", "verdict_chances"),
    "planning.sizes": (
        "compare_protocols",
        "critical_number",
        "power",
        "similarity_limit",
        "tasters_needed",
    ),
    "planning.at_hand": ("tasters_at_hand",),
    "planning.looks": ("cost_of_looks", "sequential_plan", "two_stage_plan"),
    "questions.plan": ("Plan",),
    "questions.next_panel": ("plan_next",),
    "planning.serving": ("serve",),
    "planning.served": ("read_answers",),
    "planning.starting": ("start",),
    "results.rerun": ("Rerun", "rerun"),
    "claims.check": ("ClaimCheck", "check_claim"),
    "showing.tables": ("write_csv",),
    "explorers": ("explore",),
    "recording": ("record",),
}
# What those give back, and what they raise: to be named in signatures and in `except`, and left out of dir().
_RESULTS_BY_FILE = {
    "protocols": ("CriterionEstimate", "Protocol", "TwoCountProtocol"),
    "alone.rates": ("DiscriminationRates",),
    "alone.forced_choice": ("ForcedChoicePanel",),
    "alone.two_counts": ("TwoCountPanel",),
    "engine.distribution": ("Distribution",),
    "engine.grid": ("IntegrationError",),
    "margins": ("MarginHelp",),
    "core.diagnostics": ("Diagnostics",),
    "core.answers": ("NextPanel", "Rate", "Verdict"),
    "questions.averaged": ("Averaged",),
    "questions.explanations": ("Explanations",),
    "questions.some": ("Some",),
    "questions.disagreement": ("Disagreement",),
    "questions.sensitivity": ("Sensitivity",),
    "questions.path": ("Path",),
    "questions.regulars": ("SamePeople",),
    "questions.drawer": ("Drawer",),
    "questions.habits": ("Habits",),
    "questions.leak": ("Leak",),
    "questions.operating": ("Operating",),
    "questions.fit": ("Fit", "Mixture"),
    "questions.leave_one_out": ("LeaveOneOut",),
    "questions.tasters": ("AsIfIndependent", "Tasters"),
    "questions.asked": ("Asked",),
    "questions.preference": ("Preference",),
    "questions.effects": ("ServingEffects",),
    "questions.prediction": ("Prediction",),
    "questions.next_panel": ("Plans",),
    "results.moderated": ("Moderated",),
    "results.nested": ("Nested",),
    "results.shelf": ("Shelf",),
    "results.together": ("Together",),
    "results.archive": ("ArchiveError",),
    "tables.mending": ("Mended",),
    "planning.chances": ("VerdictChances",),
    "planning.sizes": ("TastersNeeded",),
    "planning.at_hand": ("TastersAtHand",),
    "planning.looks": ("CostOfLooks", "LooksPlan"),
    "planning.orders": ("Balance",),
    "planning.serving": ("ServingPlan",),
    "planning.starting": ("Started",),
    "claims.check": ("Finding",),
    "recording": ("Recording",),
}
_FILE_OF = {
    name: file for table in (_NAMES_BY_FILE, _RESULTS_BY_FILE) for file, names in table.items() for name in names
}
__all__ = [name for name in _FILE_OF if name != "Path"]  # ms.Path; a star import must not hide pathlib's

if TYPE_CHECKING:  # the same tables, for editors and mypy (a test compares the two)
    from metasense.alone.forced_choice import ForcedChoicePanel as ForcedChoicePanel
    from metasense.alone.panel import OnePanel as OnePanel
    from metasense.alone.rates import DiscriminationRates as DiscriminationRates
    from metasense.alone.single import one_panel as one_panel
    from metasense.alone.two_counts import TwoCountPanel as TwoCountPanel
    from metasense.card import Card as Card
    from metasense.claims.check import ClaimCheck as ClaimCheck
    from metasense.claims.check import Finding as Finding
    from metasense.claims.check import check_claim as check_claim
    from metasense.core.answers import NextPanel as NextPanel
    from metasense.core.answers import Rate as Rate
    from metasense.core.answers import Verdict as Verdict
    from metasense.core.diagnostics import Diagnostics as Diagnostics
    from metasense.engine.distribution import Distribution as Distribution
    from metasense.engine.grid import IntegrationError as IntegrationError
    from metasense.engine.priors import Priors as Priors
    from metasense.explorers import explore as explore
    from metasense.margins import Margin as Margin
    from metasense.margins import MarginHelp as MarginHelp
    from metasense.planning.at_hand import TastersAtHand as TastersAtHand
    from metasense.planning.at_hand import tasters_at_hand as tasters_at_hand
    from metasense.planning.chances import VerdictChances as VerdictChances
    from metasense.planning.chances import assurance as assurance
    from metasense.planning.chances import verdict_chances as verdict_chances
    from metasense.planning.looks import CostOfLooks as CostOfLooks
    from metasense.planning.looks import LooksPlan as LooksPlan
    from metasense.planning.looks import cost_of_looks as cost_of_looks
    from metasense.planning.looks import sequential_plan as sequential_plan
    from metasense.planning.looks import two_stage_plan as two_stage_plan
    from metasense.planning.orders import Balance as Balance
    from metasense.planning.served import read_answers as read_answers
    from metasense.planning.serving import ServingPlan as ServingPlan
    from metasense.planning.serving import serve as serve
    from metasense.planning.sizes import TastersNeeded as TastersNeeded
    from metasense.planning.sizes import compare_protocols as compare_protocols
    from metasense.planning.sizes import critical_number as critical_number
    from metasense.planning.sizes import power as power
    from metasense.planning.sizes import similarity_limit as similarity_limit
    from metasense.planning.sizes import tasters_needed as tasters_needed
    from metasense.planning.starting import Started as Started
    from metasense.planning.starting import start as start
    from metasense.protocols import PROTOCOLS as PROTOCOLS
    from metasense.protocols import CriterionEstimate as CriterionEstimate
    from metasense.protocols import Protocol as Protocol
    from metasense.protocols import TwoCountProtocol as TwoCountProtocol
    from metasense.protocols import protocol as protocol
    from metasense.questions.asked import Asked as Asked
    from metasense.questions.averaged import Averaged as Averaged
    from metasense.questions.disagreement import Disagreement as Disagreement
    from metasense.questions.drawer import Drawer as Drawer
    from metasense.questions.effects import ServingEffects as ServingEffects
    from metasense.questions.effects import serving_effects as serving_effects
    from metasense.questions.explanations import Explanations as Explanations
    from metasense.questions.fit import Fit as Fit
    from metasense.questions.fit import Mixture as Mixture
    from metasense.questions.habits import Habits as Habits
    from metasense.questions.leak import Leak as Leak
    from metasense.questions.leave_one_out import LeaveOneOut as LeaveOneOut
    from metasense.questions.next_panel import Plans as Plans
    from metasense.questions.next_panel import plan_next as plan_next
    from metasense.questions.operating import Operating as Operating
    from metasense.questions.path import Path as Path
    from metasense.questions.plan import Plan as Plan
    from metasense.questions.prediction import Prediction as Prediction
    from metasense.questions.preference import Preference as Preference
    from metasense.questions.preference import preference as preference
    from metasense.questions.regulars import SamePeople as SamePeople
    from metasense.questions.sensitivity import Sensitivity as Sensitivity
    from metasense.questions.some import Some as Some
    from metasense.questions.tasters import AsIfIndependent as AsIfIndependent
    from metasense.questions.tasters import Tasters as Tasters
    from metasense.questions.tasters import tasters as tasters
    from metasense.recording import Recording as Recording
    from metasense.recording import record as record
    from metasense.results.archive import ArchiveError as ArchiveError
    from metasense.results.moderated import Moderated as Moderated
    from metasense.results.nested import Nested as Nested
    from metasense.results.pooled import Pooled as Pooled
    from metasense.results.pooling import load as load
    from metasense.results.pooling import pool as pool
    from metasense.results.pymc_model import pymc_model as pymc_model
    from metasense.results.rerun import Rerun as Rerun
    from metasense.results.rerun import rerun as rerun
    from metasense.results.shelf import Shelf as Shelf
    from metasense.results.shelf import pool_each as pool_each
    from metasense.results.together import Together as Together
    from metasense.showing.tables import write_csv as write_csv
    from metasense.tables.mending import Mended as Mended
    from metasense.tables.mending import mend as mend
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
    return sorted(["__version__", *(name for names in _NAMES_BY_FILE.values() for name in names)])
