"""The prior scales: their limits from both sides, their words, and what a change of them adds to the log prior."""

import numpy as np
import pytest
from scipy import stats

import metasense as ms
from metasense.alone.beliefs import ON_D_PRIME, prior_density
from metasense.engine.priors import LARGEST, SMALLEST, EarlierPriors, LearnedPriors, Priors, folded, log_change, stated
from metasense.protocols import protocol
from metasense.questions.sensitivity import under_priors


@pytest.mark.parametrize(("name", "largest"), [("centre_scale", 3.0), ("spread_scale", 1.5), ("slope_scale", 3.0)])
def test_the_limits_themselves_are_allowed_and_nothing_beyond(name, largest):
    assert LARGEST[name] == largest and SMALLEST == 1e-6
    for allowed in (largest, SMALLEST, 1):
        assert getattr(Priors(**{name: allowed}), name) == allowed
    for wrong in (largest * 1.0001, SMALLEST * 0.999, 0, -1, float("nan"), float("inf"), "1", None):
        with pytest.raises(ValueError, match=f"{name} = .*Leave them out for the defaults"):
            Priors(**{name: wrong})


def test_the_defaults_are_those_that_are_stated():
    scales = {"centre_scale": 1.5, "spread_scale": 0.5, "slope_scale": 0.5}
    assert vars(Priors()) == scales | {"centre_at": 0.0, "earlier": ""}
    assert stated(None) == Priors() and stated(Priors(1.0)) == Priors(1.0)
    with pytest.raises(ValueError, match=r"priors are prior scales, for instance .* got \(1, 2\)"):
        stated((1, 2))


def test_each_scale_is_multiplied_by_its_own_factor():
    assert Priors(1.0, 0.3, 0.2).scaled(2, 3, 5) == Priors(2.0, 0.3 * 3, 1.0)
    assert Priors(1.0, 0.3, 0.2).scaled() == Priors(1.0, 0.3, 0.2)


def test_what_is_stored_comes_back_the_same():
    priors = Priors(1.0, 0.3, 0.2)
    assert priors.stored() == {"mu_scale": 1.0, "tau_scale": 0.3, "beta_scale": 0.2}
    assert Priors.of_stored(priors.stored()) == priors
    assert Priors.of_stored({"centre_scale": 1.0, "tau_scale": 0.3}) == Priors(1.0, 0.3)
    with pytest.raises(TypeError):
        Priors.of_stored({"width": 1.0})


def test_a_directed_centre_is_normal_and_another_half_normal():
    priors = Priors(1.0, 0.3)
    assert str(priors) == priors.describe() == "centre half-normal(1), spread half-normal(0.3) in d-prime units"
    assert priors.describe(directed=True) == "centre normal(0, 1), spread half-normal(0.3) in d-prime units"


@pytest.mark.parametrize("spreads", [1, 2])
def test_a_change_of_scales_changes_the_log_prior_as_scipy_says_but_for_a_constant(spreads):
    old, new = Priors(1.5, 0.5, 0.5), Priors(0.7, 0.9, 0.3)
    mu, beta = np.array([0.0, 0.4, 2.0]), np.array([0.0, 0.3, -0.8])
    parts = np.array([[0.0, 0.3, 0.5], [0.0, 0.2, 1.0]])[:spreads]

    def log_prior(priors):
        scale = priors.spread_scale / np.sqrt(spreads)
        spread = stats.halfnorm.logpdf(parts, scale=scale).sum(axis=0)
        centre = stats.norm.logpdf(mu, scale=priors.centre_scale)
        return centre + spread + stats.norm.logpdf(beta, scale=priors.slope_scale)

    expected = log_prior(new) - log_prior(old)
    found = log_change(old, new, mu, (parts**2).sum(axis=0), beta**2, spreads=spreads)
    assert found - found[0] == pytest.approx(expected - expected[0], abs=1e-12)
    assert log_change(old, new, mu, mu * 0)[2] == pytest.approx(2.0 * (1.5**-2 - 0.7**-2))  # no slope, no spread


LEARNED = LearnedPriors(1.2, 0.4, odds=(0.5, 0.2, 0.3), learned_from="30 spices")


def test_learned_priors_keep_odds_and_origin_when_scaled_and_stored():
    assert LEARNED.scaled(centre=0.5) == LearnedPriors(0.6, 0.4, odds=(0.5, 0.2, 0.3), learned_from="30 spices")
    assert Priors.of_stored(LEARNED.stored()) == LEARNED
    assert Priors().odds == pytest.approx((1 / 3,) * 3) and Priors().learned_from == ""
    assert Priors(1.2, 0.4) != LEARNED


def test_learned_priors_say_what_they_come_from():
    assert "learned from 30 spices; nothing to taste 50 %" in str(LEARNED)
    with pytest.raises(ValueError, match="what they were learned from"):
        LearnedPriors(1.0, 0.4)
    with pytest.raises(ValueError, match="add up to 1"):
        LearnedPriors(1.0, 0.4, odds=(0.5, 0.5, 0.5), learned_from="x")
    with pytest.raises(ValueError, match=r"learned from a shelf.*got int"):
        Priors.learned(3)


NEW = {"panel": ["A", "B"], "tastings": [30, 24], "correct": [16, 11]}


def by_plain_sums(names, priors, directed):
    """Log evidence and mean of the average d-prime, by sums over centre, spread and panels; no cosine in it."""
    step = 0.02
    mu = np.arange(-8, 8 + step / 2, step) if directed else np.arange(0, 8 + step / 2, step)
    tau = np.arange(0.01, 3, step)
    nodes, weights = np.polynomial.hermite_e.hermegauss(41)
    weights = weights / weights.sum()
    theta = mu[:, None, None] + tau[None, :, None] * nodes
    mass = 2 * stats.norm.pdf(tau, 0, priors.spread_scale) * np.ones((len(mu), 1))
    at_centre = stats.norm.pdf(mu, priors.centre_at, priors.centre_scale)
    if not directed:
        at_centre = at_centre + stats.norm.pdf(mu, -priors.centre_at, priors.centre_scale)
        at_centre[0] /= 2  # an end of the trapezoid
    mass = mass * at_centre[:, None]
    for name, n, x in zip(names, NEW["tastings"], NEW["correct"], strict=True):
        test = protocol(name)
        mass = mass * (stats.binom.pmf(x, n, test.p_correct(theta if test.directed else np.abs(theta))) @ weights)
    average = stats.foldnorm.mean(np.abs(mu)[:, None] / tau, scale=tau)
    return np.log(mass.sum() * step**2), (mass * average).sum() / mass.sum()


@pytest.mark.lab
@pytest.mark.parametrize("names", [("triangle", "tetrad"), ("2-AFC", "triangle")])
@pytest.mark.parametrize("at", [1.2, -0.7])
def test_a_pool_with_an_earlier_centre_is_that_of_plain_sums(names, at):
    priors = Priors(0.4, 0.3, centre_at=at, earlier="last year's panels")
    pooled = ms.pool(NEW | {"protocol": names}, priors=priors)
    log_evidence, mean = by_plain_sums(names, priors, directed="2-AFC" in names)
    assert pooled.core.evidences.varying == pytest.approx(log_evidence, abs=1e-5)
    assert pooled.average.mean == pytest.approx(mean, abs=1e-4)
    wider = priors.scaled(spread=2)
    again = ms.pool(NEW | {"protocol": names}, priors=wider).average
    assert under_priors(pooled.core, wider).mean == pytest.approx(again.mean, abs=2e-4)


def test_one_size_expected_somewhere_is_that_of_a_sum():
    priors = Priors(0.4, centre_at=1.2, earlier="last year's panels")
    step = 0.001
    d = np.arange(0, 10, step)
    density = stats.norm.pdf(d, 1.2, 0.4) + stats.norm.pdf(d, -1.2, 0.4)
    for n, x in zip(NEW["tastings"], NEW["correct"], strict=True):
        density = density * stats.binom.pmf(x, n, protocol("triangle").p_correct(d))
    density[0] /= 2
    pooled = ms.pool(NEW | {"protocol": "triangle"}, priors=priors)
    assert pooled.core.evidences.same == pytest.approx(np.log(density.sum() * step), abs=1e-6)
    assert pooled.core.common.log_evidence(priors) == pytest.approx(np.log(density.sum() * step), abs=1e-6)


@pytest.mark.parametrize(("at", "scale"), [(2.0, 0.5), (0.5, 0.5), (0.3, 0.2), (1.0, 1.2)])
def test_the_folded_normal_has_the_mean_and_mean_square_of_another_library(at, scale):
    mean = stats.foldnorm.mean(at / scale, scale=scale)
    assert folded(mean, at**2 + scale**2) == pytest.approx((at, scale), rel=1e-4)


def test_an_earlier_pool_is_believed_as_far_as_is_said():
    table = {"panel": list("ABC"), "protocol": "triangle", "tastings": 40, "correct": [22, 25, 20]}
    old = ms.pool(table)
    whole, half, hardly = (Priors.from_pool(old, share) for share in (1.0, 0.5, 1e-9))
    centre = old.posterior.distribution(lambda mu, tau: mu + 0 * tau)
    assert stats.foldnorm.mean(whole.centre_at / whole.centre_scale, scale=whole.centre_scale) == pytest.approx(
        centre.mean, abs=1e-6
    )
    assert whole.centre_scale < half.centre_scale < hardly.centre_scale == pytest.approx(1.5, abs=1e-6)
    assert whole.centre_at > half.centre_at > hardly.centre_at == pytest.approx(0, abs=1e-6)
    assert half.earlier == "an earlier pool of 3 panels (the table), half believed"
    new = ms.pool(NEW | {"protocol": "triangle"}, priors=whole)
    together = ms.pool({k: [*np.broadcast_to(v, 3).tolist(), *NEW.get(k, ["triangle"] * 2)] for k, v in table.items()} | {"panel": list("ABCDE")})  # fmt: skip
    assert new.average.mean == pytest.approx(together.average.mean, abs=0.05)  # roughly what all five together say
    assert whole.earlier in " ".join(str(new.details()).split())
    assert Priors.of_stored(half.stored()) == half


def test_an_earlier_pool_says_how_probable_nothing_is_too():
    # Bayes in two steps: about what all panels together say, as far as a normal stands for what the first ones said
    old = {"panel": list("ABCDEF"), "protocol": "triangle", "tastings": 24, "correct": [8, 9, 7, 8, 9, 7]}
    new = {"panel": ["G", "H"], "protocol": "triangle", "tastings": 24, "correct": [9, 10]}
    first = ms.pool(old)
    priors = Priors.from_pool(first)
    assert priors.odds == pytest.approx(first.explanations().probability)
    then = ms.pool(new, priors=priors)
    together = ms.pool({name: [*np.broadcast_to(old[name], 6), *np.broadcast_to(new[name], 2)] for name in old})
    assert then.averaged().nothing == pytest.approx(together.averaged().nothing, abs=0.05)
    assert "(61 % before tasting)" in " ".join(repr(then).split())
    half = Priors.from_pool(first, 0.5).odds  # the square root of the Bayes factors
    assert half[0] / half[1] == pytest.approx(np.sqrt(priors.odds[0] / priors.odds[1]))


@pytest.mark.parametrize("correct", [0, 2, 5, 9])
def test_an_earlier_pool_without_a_direction_leaves_it_open(correct):
    # Bayes in two steps: the way is that of all panels pooled at once; only the last one has one
    old = {"panel": ["A", "B"], "protocol": "triangle", "tastings": 40, "correct": [28, 30]}
    new = {"panel": ["C"], "protocol": "2-AFC", "tastings": 10, "correct": [correct]}
    then = ms.pool(new, margin="0.2 triangle", priors=Priors.from_pool(ms.pool(old)))
    rows = [
        dict(zip(t, row, strict=True))
        for t in (old, new)
        for row in zip(*(np.broadcast_to(v, len(t["panel"])) for v in t.values()), strict=True)
    ]
    together = ms.pool(rows, margin="0.2 triangle")
    assert then.expected_way == pytest.approx(together.expected_way, abs=0.02)
    assert then.average.median == pytest.approx(together.average.median, abs=0.35)  # a normal stands for the rest


def test_an_earlier_pool_whose_panels_part_on_the_way_keeps_its_size():
    old = ms.pool({"panel": list("ABC"), "protocol": ["triangle", "triangle", "2-AFC"], "tastings": [40, 40, 10],
                   "correct": [28, 30, 5]})  # fmt: skip
    priors = Priors.from_pool(old)
    size = old.posterior.distribution(lambda mu, tau: np.abs(mu) + 0 * tau)
    at, scale = priors.centre_at, priors.centre_scale
    assert stats.foldnorm.mean(at / scale, scale=scale) == pytest.approx(size.mean, abs=1e-4) and at > 1.5
    assert priors.way == pytest.approx(old.expected_way) == pytest.approx(0.5, abs=0.01)
    assert "normal(±" in priors.describe(directed=True) and "the expected way with 50 %" in priors.describe(
        directed=True
    )
    new = {"panel": ["D"], "protocol": "triangle", "tastings": 30, "correct": [21]}
    above = [ms.pool(new, margin="0.2 triangle", priors=p).verdict().above for p in (priors, Priors())]
    assert above[0] > above[1] + 0.03


def test_an_earlier_pool_of_panels_that_were_all_but_right_is_a_prior_too():
    old = ms.pool({"panel": list("ABC"), "protocol": "tetrad", "tastings": 40, "correct": 40})
    priors = Priors.from_pool(old)
    assert priors.centre_at > 3
    new = ms.pool({"panel": ["D"], "protocol": "triangle", "tastings": 24, "correct": [23]}, priors=priors)
    assert new.average.median > 2.5


def test_panels_of_the_earlier_pool_are_not_counted_twice(tmp_path):
    old = {"panel": list("ABC"), "protocol": "triangle", "tastings": 24, "correct": [8, 9, 7]}
    priors = Priors.from_pool(ms.pool(old))
    with pytest.raises(ms.PanelsError, match="Counted already in the earlier pool that is the prior: C"):
        ms.pool({"panel": ["C", "D"], "protocol": "triangle", "tastings": 24, "correct": [7, 12]}, priors=priors)
    following = ms.pool({"panel": ["D"], "protocol": "triangle", "tastings": 24, "correct": [12]}, priors=priors)
    both = Priors.from_pool(following)
    with pytest.raises(ms.PanelsError, match="earlier pool that is the prior: A, B and C"):
        ms.pool(old, priors=both)
    again = ms.load(following.save(tmp_path / "pool.nc"))
    assert again.priors == priors and again.averaged().nothing == following.averaged().nothing


def test_an_earlier_pool_is_no_prior_where_it_cannot_be_one(tmp_path):
    priors = Priors(0.4, centre_at=1.2, earlier="last year's panels")
    table = NEW | {"protocol": "triangle", "weeks": [1, 2]}
    for wrong in ({"moderators": "weeks"},):
        with pytest.raises(ValueError, match="priors of an earlier pool are of its average"):
            ms.pool(table, priors=priors, **wrong)
    with pytest.raises(ValueError, match="of one variable, and these are many"):
        ms.pool_each(table, by="weeks", priors=priors)
    with pytest.raises(ValueError, match="a plain pool"):
        Priors.from_pool(table)
    for wrong in (0, 1.1, True, "half"):
        with pytest.raises(ValueError, match="discount is a share above 0"):
            Priors.from_pool(ms.pool(table), wrong)
    with pytest.raises(ValueError, match="say what that comes from"):
        Priors(centre_at=1.0)
    with pytest.raises(ValueError, match="within 8 of 0"):
        Priors(centre_at=8.1, earlier="a guess")
    saved = ms.pool(table, priors=priors).save(tmp_path / "pool.nc")
    assert ms.load(saved).priors == priors


def test_one_panel_takes_an_earlier_centre_as_a_pool_of_it_does():
    priors = Priors(0.4, 0.3, centre_at=1.2, earlier="last year's panels")
    d = np.linspace(0, 8, 4001)
    assert prior_density(d, priors).sum() * (d[1] - d[0]) == pytest.approx(1, abs=1e-3)
    alone = ms.one_panel("triangle", 30, 16, margin="0.2 triangle", priors=priors)
    pooled = ms.pool({"panel": ["A"], "protocol": "triangle", "tastings": 30, "correct": 16}, priors=priors)
    below = pooled.panel("A").below(alone.margin.d_prime)
    assert 1 - alone.beyond[ON_D_PRIME] == pytest.approx(below, abs=1e-4)


def test_a_centre_is_said_with_both_signs_only_where_the_way_is_open():
    centred = {"centre_scale": 0.4, "spread_scale": 0.3, "centre_at": 1.2, "earlier": "last year"}
    assert ms.Priors(**centred).centre(directed=False) == "centre folded normal(1.2, 0.4)"
    open_way = EarlierPriors(**centred, odds=(0.2, 0.4, 0.4), way=0.75)
    assert open_way.centre(directed=False) == "centre folded normal(1.2, 0.4)"
    assert open_way.centre(directed=True) == "centre normal(±1.2, 0.4), the expected way with 75 %"
    sure = EarlierPriors(**centred, odds=(0.2, 0.4, 0.4), way=1.0)
    assert sure.centre(directed=True) == "centre normal(1.2, 0.4)"


def test_an_earlier_pool_of_very_many_panels_has_odds():
    names = [f"P{i}" for i in range(250)]
    earlier = ms.pool({"panel": names, "protocol": "triangle", "tastings": 900, "correct": [400, 500] * 125})
    assert max(earlier.core.evidences.none, earlier.core.evidences.varying) < -745  # beyond what exp can hold
    odds = ms.Priors.from_pool(earlier).odds
    assert sum(odds) == pytest.approx(1) and odds[2] > 0.99
