"""A plan for the next panels: its numbers, its name, and which plans cannot be."""

import numpy as np
import pytest

from metasense.protocols import protocol
from metasense.questions.plan import MOST_PANELS, MOST_TASTERS, Plan, is_count


@pytest.mark.parametrize(
    ("plan", "name", "cups"),
    [
        (Plan("triangle", 24), "triangle, 1 panel of 24, new pair", 72),
        (Plan("tetrad", 24, 2), "tetrad, 2 panels of 24, new pairs", 192),
        (Plan("2-AFC", 10, 1, "Cellar"), "2-AFC, 1 panel of 10, same pair as Cellar", 20),
        (Plan("2-AFC", 10, 3, "Cellar"), "2-AFC, 3 panels of 10, same pair as Cellar", 60),
    ],
)
def test_a_plan_has_a_name_and_counts_its_cups(plan, name, cups):
    assert (plan.name, plan.cups) == (name, cups)
    assert plan.tastings == plan.tasters * plan.panels


def test_equal_plans_are_one():
    assert Plan("triangle", 24.0) == Plan(protocol("triangle"), np.int64(24), 1)
    assert len({Plan("triangle", 24), Plan("triangle", 24, 1), Plan("triangle", 25)}) == 2
    assert type(Plan("triangle", 24.0).tasters) is int


def test_the_largest_plan_is_allowed_and_nothing_beyond():
    assert (MOST_TASTERS, MOST_PANELS) == (2000, 50)
    assert Plan("triangle", 2000, 50).tastings == 100_000
    with pytest.raises(ValueError, match=r"got tasters = 2001 \(1 to 2000\), panels = 51 \(1 to 50\)\."):
        Plan("triangle", 2001, 51)
    for wrong in (0, -1, 2.5, "24", None, float("nan")):
        with pytest.raises(ValueError, match=r"whole number of tasters and panels; got tasters = "):
            Plan("triangle", wrong)
    with pytest.raises(ValueError, match="A-not-A"):
        Plan("A-not-A", 24)
    assert is_count(1, 1) and is_count(3.0, 3) and not is_count(2, 1) and not is_count(0, 5)


def test_every_combination_comes_in_the_order_given():
    plans = Plan.every(["triangle", "tetrad"], [12, 24], [1, 2], [None, "A"])
    assert len(plans) == 16 and plans[0] == Plan("triangle", 12) and plans[1] == Plan("triangle", 12, 1, "A")
    assert plans[2] == Plan("triangle", 12, 2) and plans[4] == Plan("triangle", 24) and plans[8] == Plan("tetrad", 12)
