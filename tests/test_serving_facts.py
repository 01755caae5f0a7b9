"""What a serving plan warns of."""

import pytest

from metasense.planning.serving import serve


@pytest.mark.parametrize("seed", [1, 2**16, 20250301, 2**64 - 1])
def test_a_seed_that_someone_could_try_out_is_warned_of(seed):
    plan = serve("triangle", 12, panel="P1", samples=("old", "new"), seed=seed)
    assert any("this seed can be guessed" in warning for warning in plan.warnings)


def test_a_seed_drawn_for_the_plan_is_not():
    plan = serve("triangle", 12, panel="P1", samples=("old", "new"))
    assert not any("seed" in warning for warning in plan.warnings)
