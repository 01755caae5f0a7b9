"""People who come again: what a pool says of them, on top of the engine that is checked in tests/engine."""

from types import SimpleNamespace

import numpy as np
import pytest
from reading import demos

import metasense as ms
from metasense.questions.regulars import SamePeople
from metasense.results import notes


def evenings(people=6, panels=4, protocol="triangle", renewed=0):
    """Two who are always right, the others guessing; the last `renewed` are new people each time."""
    rng = np.random.default_rng(5)
    return ms.read_tastings(
        [
            {
                "panel": f"S{s}",
                "protocol": protocol,
                "taster": f"T{t}" if t < people - renewed else f"N{s}-{t}",
                "correct": int(t < 2 or rng.random() < 1 / 3),
            }
            for s in range(panels)
            for t in range(people)
        ]
    )


@pytest.fixture(scope="module")
def pooled():
    return ms.pool(evenings(), margin="0.2 triangle")


def test_people_are_followed_unasked_and_counted_apart_from_sittings(pooled):
    same = pooled.regulars()
    assert (same.people, same.sittings, same.rho) == (6, 24, 1.0)
    assert same.sentence().startswith("6 people sat in more than one panel, in 24 sittings")
    assert "24 tastings by 6 people, 6 of them in more than one panel" in str(pooled.statement())
    assert not any("more than one panel" in warning for warning in pooled.warnings)
    assert any("more than one panel" in note for note in notes.on_the_answer(pooled.core))


def test_a_first_screen_says_who_came_again_and_whom_to_invite(pooled):
    said = str(pooled.regulars())
    assert said.startswith("6 people sat in more than one panel, in 24 sittings: of 100 triangle answers\nabout ")
    assert "Taken as new people each time, the same answers give about " in " ".join(said.split())
    assert "Next: invite other people" in said
    assert demos.grade(pooled.regulars().plain_answer()) <= 9
    assert not [term for term in demos.TERMS if term in pooled.regulars().plain_answer()]
    assert len(said.splitlines()) <= 25 and max(map(len, said.splitlines())) <= 80


def test_all_or_nothing_people_widen_the_answer_more_than_people_alike(pooled):
    # six people of whom two tell: who they are is most of what is not known
    same = pooled.regulars()
    assert same.wider > 1.04
    assert 0.2 < same.about_them <= 1
    assert same.overdispersion.median > 0.3
    new = ms.pool(evenings(), regulars=False).average
    assert same.new_each_time.interval() == pytest.approx(new.interval(), abs=1e-6)


def test_the_same_people_again_vary_less_than_new_ones(pooled):
    same = pooled.regulars()
    new, again = pooled.rate("triangle").next_p_c, same.next_rate("triangle")
    assert again.sd < new.sd
    counts = same.next_panel("triangle")
    assert counts.tastings == 6
    assert counts.probability.sum() == pytest.approx(1)
    expected = float(np.arange(7) @ counts.probability) / 6
    assert expected == pytest.approx(again.mean, abs=0.005)


def test_without_following_and_with_no_rank_kept_the_pool_is_as_if_everybody_were_new():
    given = evenings()
    apart, none = ms.pool(given, regulars=False), ms.pool(given, rho=0)
    for one in (apart, none):
        assert one.core.regulars is None
        assert any("6 people of 6 sat in more than one panel" in warning for warning in one.warnings)
        with pytest.raises(ValueError, match="nobody is followed from panel to panel"):
            one.regulars()
    assert apart.headline() == none.headline()


def test_strangers_are_pooled_as_ever():
    given = evenings(renewed=6)
    assert ms.pool(given).core.regulars is None
    assert ms.pool(given).to_frame().equals(ms.pool(given, regulars=False).to_frame())


def test_a_correlation_that_cannot_be_is_refused():
    for rho in (-0.1, 1.2, "all", True, float("nan")):
        with pytest.raises(ValueError, match="rho says how far people keep their standing"):
            ms.pool(evenings(), rho=rho)


def test_what_is_asked_of_other_pools_is_asked_of_these(pooled):
    assert pooled.verdict().label in ("not settled", "beyond the margin", "within the margin")
    chances = pooled.explanations().probability
    assert chances.sum() == pytest.approx(1)
    assert pooled.averaged().average.mean <= pooled.average.mean
    frame = pooled.sensitivity().to_frame()
    assert len(frame) > 9 and frame["median"].between(0, 4).all()
    assert frame["median"].iloc[0] == pytest.approx(pooled.average.median, abs=0.05 * pooled.average.sd)
    assert len(pooled.panels_frame()) == 4
    assert pooled.draws["d_prime"].shape == (4, 1000, 4)
    assert float(pooled.draws["average"].mean()) == pytest.approx(pooled.average.mean, abs=0.1 * pooled.average.sd)
    for answer in (pooled.disagreement(), pooled.drawer(), pooled.fit(), pooled.some()):
        assert answer.sentence()
    assert "standing among tasters" in str(pooled.statement(length="methods"))


@pytest.mark.lab
def test_a_saved_pool_of_regulars_comes_back_and_out_the_same_again(pooled, tmp_path):
    path = pooled.save(tmp_path / "pool.nc")
    again = ms.load(path)
    assert again.headline() == pooled.headline()
    assert again.regulars().to_frame().equals(pooled.regulars().to_frame())
    assert ms.rerun(path).same


def test_the_answer_after_each_panel_ends_at_the_pool():
    pooled = ms.pool(evenings(panels=2))
    steps = pooled.path().to_frame()
    assert len(steps) == 2
    first = ms.pool(evenings(panels=2).to_panels().only(panel="S0"))
    assert steps["median"].iloc[0] == pytest.approx(first.average.median, abs=0.15 * first.average.sd)
    assert steps["median"].iloc[1] == pytest.approx(pooled.average.median, abs=0.05 * pooled.average.sd)


@pytest.mark.lab
def test_directed_panels_keep_their_sign():
    pooled = ms.pool(evenings(people=5, panels=2, protocol="2-AFC"))
    assert 0 < pooled.expected_way < 1
    assert pooled.regulars().next_rate("2-AFC").support[0] >= 0
    assert pooled.panel("S0").support[0] < 0


@pytest.mark.lab
@pytest.mark.parametrize("at", [1.0, -1.0])
def test_people_are_followed_where_one_direction_is_ruled_out(at):
    rows = [
        {"panel": p, "protocol": "2-AFC", "taster": t, "correct": (p + t) % 2} for p in (1, 2, 3) for t in range(10)
    ]
    priors = ms.Priors(0.15, 0.2, centre_at=at, earlier="last year's panels")
    pooled = ms.pool(ms.read_tastings(rows), priors=priors)
    apart = ms.pool(ms.read_tastings(rows), priors=priors, regulars=False)
    assert pooled.core.expected_way == pytest.approx(float(at > 0), abs=1e-3)
    assert pooled.average.mean == pytest.approx(apart.average.mean, abs=0.1)


def test_without_an_evening_after_which_nobody_came_twice_the_answer_is_that_of_the_other_panels():
    both = evenings(people=8, panels=2, renewed=3)
    full = ms.pool(both, margin="0.2 triangle")
    found = full.sensitivity()
    cases = found.to_frame().set_index("case")
    for name, other in (("S0", "S1"), ("S1", "S0")):
        alone = ms.pool(ms.read_tastings(both.frame[both.frame["panel"] == other]), margin="0.2 triangle")
        row = cases.loc[f"without {name}"]
        assert row["median"] == pytest.approx(alone.average.median, abs=1e-4)
        assert row["p_above"] == pytest.approx(alone.verdict().above, abs=1e-4)
    assert not any("of draws" in note for note in (*found.notes, *full.path().notes))


@pytest.mark.lab
def test_answers_from_some_of_the_panels_hardly_depend_on_the_seed():
    tastings = evenings(people=10, panels=3, renewed=4)
    found = [ms.pool(tastings, seed=seed).sensitivity() for seed in (1, 2)]
    assert all("are of draws" in " ".join(one.notes) for one in found)
    medians = [one.about("panel")["median"] for one in found]
    sd = ms.pool(tastings).average.sd
    assert np.abs(medians[0].to_numpy() - medians[1].to_numpy()).max() < 0.15 * sd  # each has an error of 4 %


def test_the_overdispersion_lies_between_the_nodes_too(pooled):
    found = pooled.core.regulars.found
    gamma = pooled.regulars().overdispersion
    for end in (gamma.median, *gamma.interval()):
        assert np.abs(found.gammas - end).min() > 1e-6
    assert gamma.mean == pytest.approx(found.gammas[found.which].mean(), abs=0.03)
    assert gamma.quantile(0.001) >= 0 and gamma.quantile(0.999) <= 1


def test_what_is_worked_out_for_new_people_says_so_where_it_answers(pooled):
    for asked in (pooled.leak(), pooled.drawer()):
        assert "takes people who sat in several panels as new in each" in asked.sentence()
        assert "takes people" in str(asked)
    apart = ms.pool(evenings(), margin="0.2 triangle", regulars=False)
    assert "as new in each" not in apart.leak().sentence() + apart.drawer().sentence()
    others = next(note for note in pooled.notes if note.startswith("In this pool, taken as if"))
    assert "tasters who knew" in others


def test_sensitivity_says_which_cases_it_leaves_out_where_people_are_followed(pooled):
    said = pooled.sensitivity().sentences()
    left = next(one for one in said if "regulars=False" in one)
    apart = ms.pool(evenings(), margin="0.2 triangle", regulars=False).sensitivity()
    missing = set(apart.cases["case"]) - set(pooled.sensitivity().cases["case"])
    assert missing and all(case in left for case in missing)
    assert not any("regulars=False" in one for one in apart.sentences())


def test_the_interval_that_is_wider_is_named(pooled):
    assert "the interval of this pool is" in pooled.regulars().followed()
    assert pooled.regulars().followed().endswith("than that.")


def test_people_are_counted_once_beside_panels_known_by_totals():
    totals = ms.read_panels({"panel": ["Market"], "protocol": "triangle", "tastings": 30, "correct": 9, "tasters": 30})
    said = str(ms.pool(totals, tastings=evenings(panels=2, renewed=4), margin="0.2 triangle").statement())
    assert "42 tastings by 40 people, 2 of them in more than one panel" in said  # 30, and 2 + 4 + 4 by name
    assert "followed from one to the next" in said and "Market are other people" in said


def test_the_overdispersion_runs_between_the_ends_for_which_its_nodes_were_laid():
    # nodes of Gauss and Legendre laid between .2 and .6, all equally often drawn
    x = np.polynomial.legendre.leggauss(16)[0]
    found = SimpleNamespace(gammas=0.2 + 0.2 * (x + 1), which=np.arange(16))
    gamma = SamePeople(SimpleNamespace(regulars=SimpleNamespace(found=found))).overdispersion
    assert [gamma.x[0], gamma.x[-1]] == pytest.approx([0.2, 0.6], abs=1e-9)
    assert gamma.mean == pytest.approx(0.4, abs=1e-6)
