"""The next panel of the same people and of others, held against what no plan can do and against pools made anew."""

import numpy as np
import pytest

import metasense as ms
from metasense.protocols import forced_choice
from metasense.questions import inviting

TRIANGLE = forced_choice("triangle")


def evenings(count=4, people=10, more=()):
    """Tasters who tell by the rule of decision, each with a sensitivity of their own; and answers to add."""
    rng = np.random.default_rng(4)
    chance = TRIANGLE.p_correct(np.abs(rng.normal(1.2, 1.0, people)))
    rows = [
        {"panel": f"e{i}", "protocol": "triangle", "taster": f"t{j}", "correct": int(rng.random() < chance[j])}
        for i in range(count)
        for j in range(people)
    ]
    new = [{"panel": "more", "protocol": "triangle", "taster": who, "correct": int(r)} for who, r in more]
    return ms.read_tastings(rows + new)


@pytest.fixture(scope="module")
def pooled():
    return ms.pool(evenings(), margin="0.3 triangle")


@pytest.mark.lab
def test_no_plan_moves_the_probability_on_average_and_new_people_narrow_more(pooled):
    frame = pooled.regulars().invite_others(outcomes=120).set_index("people")
    now = pooled.average.below(pooled.margin.d_prime)
    low, high = pooled.average.interval()
    same, new = frame.loc[inviting.SAME], frame.loc[inviting.NEW]
    assert same["below"] == pytest.approx(now, abs=0.06) and new["below"] == pytest.approx(now, abs=0.06)
    assert new["width"] + 2 * new["width_error"] < same["width"] < high - low
    assert same["error"] == pytest.approx(np.sqrt(same["settled"] * (1 - same["settled"]) / 120))
    assert same["standings"] > 20


@pytest.mark.lab
def test_likelihoods_of_new_people_hang_on_their_total_only_and_of_known_ones_on_who_it_was(pooled):
    following = inviting.Next.of(pooled.core, TRIANGLE)
    first, last = np.arange(10) < 4, np.arange(10) > 5
    new = [following.likelihood(right, True) for right in (first, last)]
    known = [following.likelihood(right, False) for right in (first, last)]
    assert np.allclose(new[0], new[1])
    assert not np.allclose(known[0], known[1], rtol=0.1)


@pytest.mark.lab
def test_what_cannot_be_is_refused(pooled):
    same = pooled.regulars()
    for wrong in ({"panels": 0}, {"outcomes": 3}, {"seed": -1}):
        with pytest.raises(ValueError, match=f"{next(iter(wrong))} is a whole number"):
            same.invite_others(**wrong)


@pytest.mark.lab
@pytest.mark.parametrize("known", [True, False])
def test_an_outcome_weighted_is_the_pool_with_that_panel(pooled, known):
    right = np.arange(10) % 3 > 0
    following = inviting.Next.of(pooled.core, TRIANGLE)
    _, below, width, _ = inviting._pooled(following, [following.likelihood(right, not known)], pooled.margin)
    names = sorted(f"{'t' if known else 'n'}{j}" for j in range(10))  # in the order of their standings
    table = evenings(more=zip(names, right, strict=True))
    anew = ms.pool(table, margin="0.3 triangle").average
    low, high = anew.interval()
    assert below == pytest.approx(anew.below(pooled.margin.d_prime), abs=0.03)
    assert width == pytest.approx(high - low, rel=0.06)


@pytest.mark.lab
def test_plans_of_a_pool_that_follows_people_say_what_others_would_bring(pooled):
    said = ms.plan_next(pooled).notes[0]
    assert said.startswith("Invite others? After one more triangle panel of 10") and "Monte Carlo" in said
    assert not any("Invite others" in note for note in ms.plan_next(pooled, ms.Plan("triangle", 10)).notes)
