"""Panels within batch pairs: against direct quadrature, against the plain pool, and on the demo data."""

import re
from functools import lru_cache

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom, norm

import metasense as ms
from metasense.engine.grid import integrate
from metasense.engine.levels import Groups, Levels
from metasense.engine.likelihood import Counts
from metasense.engine.spreads import average_d_prime
from metasense.protocols import protocol
from metasense.showing import words


def table(correct, pairs, test="triangle", tastings=30, **columns):
    names = [f"P{i}" for i in range(len(correct))]
    frame = {"panel": names, "protocol": test, "tastings": tastings, "correct": correct, "batch_pair": pairs}
    return pd.DataFrame(frame | columns)


MIXED = table([20, 14, 12, 18, 9, 13], list("aabbbc"))


def legendre(nodes, low, high):
    x, w = np.polynomial.legendre.leggauss(nodes)
    return low + (x + 1) / 2 * (high - low), w / 2 * (high - low)


PHI = np.linspace(-12, 12, 961)
Z = np.linspace(-8, 8, 161)


@lru_cache
def on_pair(test, n, correct, within):
    """Chance of the count on a batch pair of each d-prime in PHI."""
    d = np.linspace(-36, 36, 28801)
    chance = np.interp(np.add.outer(PHI, within * Z), d, binom.pmf(correct, n, protocol(test).p_correct(d)))
    return chance @ (norm.pdf(Z) * 0.1)


def brute(frame):
    """Log evidence, mean spread between and mean spread within, by sums over all four unknowns."""
    test, n = frame["protocol"][0], int(frame["tastings"][0])
    directed = protocol(test).directed
    scale = 0.5 / np.sqrt(2)
    spread, w_spread = legendre(28, 0, 2.2)
    prior = 2 * norm.pdf(spread, scale=scale) * w_spread
    mu, w_mu = legendre(120, -9 if directed else 0, 9)
    centre = w_mu * norm.pdf(mu, scale=1.5) * (1 if directed else 2)
    joint = np.zeros((28, 28))
    for j, within in enumerate(spread):
        product = {pair: np.ones(len(PHI)) for pair in frame["batch_pair"]}
        for pair, count in zip(frame["batch_pair"], frame["correct"], strict=True):
            product[pair] = product[pair] * on_pair(test, n, count, within)
        for i, between in enumerate(spread):
            at = mu[:, None] + between * Z
            around = np.stack([np.interp(at, PHI, p) @ (norm.pdf(Z) * 0.1) for p in product.values()])
            joint[i, j] = centre @ around.prod(axis=0)
    joint *= np.outer(prior, prior)
    return np.log(joint.sum()), joint.sum(axis=1) @ spread / joint.sum(), joint.sum(axis=0) @ spread / joint.sum()


@pytest.fixture(scope="module")
def nested():
    return ms.pool(MIXED, within="batch_pair", margin=ms.Margin(d_prime=0.5))


@pytest.mark.parametrize("test", ["triangle", "2-AFC"])
def test_a_level_equals_direct_quadrature(test):
    frame = MIXED.assign(protocol=test)
    nested = ms.pool(frame, within="batch_pair")
    evidence, between, within = brute(frame)
    assert nested.levels.box.log_evidence == pytest.approx(evidence, abs=5e-4)  # PHI is interpolated linearly
    assert nested.between.mean == pytest.approx(between, abs=5e-4)
    assert nested.spread_within.mean == pytest.approx(within, abs=5e-4)


def test_without_spread_between_the_level_is_the_plain_pool():
    evidence = [Counts(protocol("tetrad"), 24, x) for x in (9, 12, 15, 18)]
    posterior, evidences = integrate(evidence, [1] * 4, ms.Priors())
    groups = Groups(evidence, np.array([[1, 1, 0, 0], [0, 0, 1, 1]]))
    # the tails of the group's own centre are nowhere near a between of 1e-3
    levels = Levels.integrate(groups, ms.Priors(), posterior, between=1e-3)
    assert levels.box.log_evidence == pytest.approx(evidences.varying, abs=2e-5)
    assert levels.new_group.average.interval() == pytest.approx(posterior.average.interval(), abs=2e-3)
    assert levels.group(0).average.interval() == pytest.approx(posterior.average.interval(), abs=5e-3)


def test_order_and_names_of_the_pairs_do_not_matter(nested):
    shuffled = MIXED.iloc[[5, 2, 0, 4, 1, 3]].replace({"batch_pair": {"a": "x", "b": "y", "c": "z"}})
    other = ms.pool(shuffled, within="batch_pair")
    assert other.levels.box.log_evidence == pytest.approx(nested.levels.box.log_evidence, abs=1e-9)
    assert other.average.interval() == pytest.approx(nested.average.interval(), abs=1e-6)
    assert other.on("y").average.interval() == pytest.approx(nested.on("b").average.interval(), abs=1e-6)


def test_draws_and_densities_of_the_groups_agree():
    evidence = [Counts(protocol("triangle"), 30, x) for x in (10, 13, 16, 20)]
    start = integrate(evidence, [1] * 4, ms.Priors())[0]
    levels = Levels.integrate(Groups(evidence, np.array([[1, 1, 0, 0], [0, 0, 1, 1]])), ms.Priors(), start, between=0.5)
    centres, _, within = levels.draw_centres(np.random.default_rng(1))
    averages = average_d_prime(centres, within[:, None])
    for g in range(2):
        density = levels.group(g).average
        assert averages[:, g].mean() == pytest.approx(density.mean, abs=4 * density.sd / np.sqrt(20_000))
        q = [0.025, 0.5, 0.975]
        assert np.quantile(averages[:, g], q) == pytest.approx(density.quantile(q), abs=0.02)


def test_a_known_pair_is_told_better_than_a_new_one():
    # pairs far apart, panels on each alike
    chance = protocol("tetrad").p_correct(np.array([0.3] * 3 + [1.0] * 3 + [1.7] * 3 + [2.4] * 3))
    frame = table(np.round(200 * chance).astype(int), list("aaabbbcccddd"), "tetrad", 200)
    nested = ms.pool(frame, within="batch_pair")
    assert nested.between.median > 4 * nested.spread_within.median
    assert nested.share.median > 0.9
    new, known = nested.next_d_prime.interval(), nested.on("b").next_d_prime.interval()
    assert known[1] - known[0] < 0.4 * (new[1] - new[0])
    assert known[0] < 1.0 < known[1]
    assert nested.bayes_factor > 3
    assert [round(v, 1) for v in nested.groups_frame()["pooled"]] == [0.3, 1.0, 1.7, 2.4]


def test_treating_panels_on_one_pair_as_independent_is_too_sure():
    correct = [20, 19, 21, 20, 9, 10, 11, 10]
    nested = ms.pool(table(correct, list("aaaabbbb"), "tetrad"), within="batch_pair")
    (low, high), (plain_low, plain_high) = nested.average.interval(), nested.plain.average.interval()
    assert high - low > plain_high - plain_low


@pytest.mark.parametrize(
    ("frame", "within", "reason"),
    [
        (MIXED.assign(batch_pair="a"), "batch_pair", "all panels have the same batch_pair, 'a'"),
        (MIXED.assign(batch_pair=list("abcdef")), "batch_pair", "every panel has a batch_pair of its own"),
        (MIXED.assign(batch_pair=["a", "a", None, "b", "b", "b"]), "batch_pair", "missing for 'P2'"),
        (MIXED, "baker", "no column 'baker'"),
        (MIXED, "panel", "no group that panels could be within"),
        (MIXED.iloc[:2], "batch_pair", "2 panels cannot tell"),
    ],
)
def test_a_level_that_is_none_is_refused_with_the_reason(frame, within, reason):
    with pytest.raises(ms.PanelsError, match=reason):
        ms.pool(frame, within=within)


def test_sampling_this_model_is_refused_rather_than_passed_over():
    with pytest.raises(ValueError, match="worked out by integration, not by sampling: leave out method='mcmc'"):
        ms.pool(MIXED, within="batch_pair", method="mcmc", draws=100, chains=2)


def test_notes_are_about_this_answer_and_not_the_plain_pool():
    frame = table([11, 10, 11, 20, 10, 15], list("ppqqrr"))
    nested = ms.pool(frame, within="batch_pair", margin=ms.Margin(d_prime=0.5))
    assert (nested.plain.verdict().label, nested.verdict().label) == ("beyond the margin", "not settled")
    notes = " ".join(nested.notes)
    assert "The verdict, beyond the margin" not in notes and "the verdict changes" in notes
    assert any("The verdict, beyond the margin, rests on the prior" in note for note in nested.plain.notes)


def test_the_four_corners_are_pools_with_those_priors(nested):
    cases = nested.corners.set_index("case")
    for mu, tau in ((0.75, 0.25), (3.0, 1.0)):
        other = ms.pool(MIXED, within="batch_pair", margin=ms.Margin(d_prime=0.5), priors=ms.Priors(mu, tau))
        row = cases.loc[f"prior scales {mu:g} (centre), {tau:g} (spread)"]
        assert row[["median", "p_above"]].tolist() == pytest.approx(
            [other.average.median, other.verdict().above], abs=1e-3
        )
    assert len(cases) == 5 and nested.corners["change"].iloc[0] == 0


def test_names_spelt_in_two_ways_are_asked_about():
    frame = table([20, 14, 12, 18, 9, 13], ["Ann", "Ann", "ann", "Ben", "Ben", "Ben"]).rename(
        columns={"batch_pair": "oven"}
    )
    nested = ms.pool(frame, within="oven")
    assert "'Ann' and 'ann' are taken as different values of oven. If they are one, spell them alike." in nested.notes
    assert "spread within an oven" in set(nested.to_frame()["quantity"])


def test_groups_of_a_directed_pool_keep_their_sign():
    frame = table([6, 9, 7, 32, 30, 34], list("aaabbb"), "2-AFC", 40)
    groups = ms.pool(frame, within="batch_pair").groups_frame().set_index("batch_pair")
    assert groups.loc["a", "pooled"] < -0.5 and groups.loc["b", "pooled"] > 0.5


def test_an_unknown_pair_is_refused_by_name(nested):
    with pytest.raises(ValueError, match="there is no batch_pair 'q'; there is a, b and c"):
        nested.on("q")


def test_words_say_what_lies_between_and_what_the_next_panel_faces(nested):
    text = repr(nested.details())
    assert "One batch pair differs from another by an SD of" in text
    assert "from a new batch pair" in text
    assert "Only 3 batch pairs" in text
    assert "A single panel stands for batch pair c" in text
    assert "both spreads half-normal(0.354)" in text
    assert not words.banned(text)
    assert not words.banned(nested.statement())
    html = re.sub(r"<[^>]+>", " ", nested._repr_html_())
    assert all(number in html for number in re.findall(r"\d+\.\d+", text))


def test_frames_and_figure(nested):
    from matplotlib.figure import Figure

    frame = nested.to_frame(prob=0.9)
    wanted = {"average d-prime", "spread between batch pairs", "next panel d-prime, new batch pair"}
    assert wanted <= set(frame["quantity"])
    assert (frame["prob"] == 0.9).all()
    assert nested.groups_frame()["panels"].tolist() == [2, 3, 1]
    labels = [tick.get_text() for tick in nested.plot(ax=Figure()).get_yticklabels()]
    assert sorted(labels[:3]) == ["a", "b", "c"]


def test_an_experimenter_is_a_level_as_well():
    nested = ms.pool(MIXED.assign(poured_by=["Ann", "Ann", "Ben", "Ben", "Ben", "Cy"]), within="poured_by")
    assert nested.groups == ("Ann", "Ben", "Cy")
    assert "One poured by differs" in nested.variation()


def test_repeat_tasters_enter_once_each_here_too():
    frame = table([20, 14, 12, 18, 9, 13], list("aabbbc"), tasters=[30, 30, 30, 30, 30, 5])
    few = ms.pool(frame, within="batch_pair")
    many = ms.pool(frame.drop(columns="tasters"), within="batch_pair")
    assert few.on("c").average.sd > many.on("c").average.sd


@pytest.mark.slow
def test_intervals_hold_the_truth_as_often_as_they_say():
    from tests.calibration.nesting_recovery import CASES, study

    found = study(CASES[0], 60, seed=7)
    for name in ("average", "between", "within", "next, new pair", "average, known pair", "next, known pair"):
        assert found[name] >= 0.86  # 3 standard errors below .95


@pytest.mark.mcmc
@pytest.mark.slow
@pytest.mark.timeout(900)
def test_sampling_agrees_with_integration(nested):
    from metasense.engine import sampler as mcmc

    panels = [Counts(protocol("triangle"), 30, x) for x in MIXED["correct"]]
    draws = mcmc.sample_moderated(
        panels, ms.Priors(), columns=np.empty((6, 0)), names=[], clusters=np.array([0, 0, 1, 1, 1, 2]), draws=2000
    )[2]
    averages = average_d_prime(draws["mu"].to_numpy().ravel(), draws["tau"].to_numpy().ravel())
    for drawn, exact in (
        (averages, nested.average),
        (draws["between"].to_numpy(), nested.between),
        (draws["within"].to_numpy(), nested.spread_within),
        (draws["tau"].to_numpy(), nested.spread),
    ):
        ends = [0.025, 0.975]
        assert np.quantile(drawn, ends) == pytest.approx(exact.quantile(ends), abs=0.25 * exact.sd)
        assert np.median(drawn) == pytest.approx(exact.median, abs=0.06 * exact.sd)


def test_the_evidence_names_the_centre_of_a_directed_pool_whole():
    frame = {
        "panel": list("ABCD"),
        "protocol": "2-AFC",
        "tastings": 30,
        "correct": [20, 18, 19, 22],
        "bench": list("xxyy"),
    }
    assert "centre normal(0, 1.5), both spreads half-normal(0.354)" in ms.pool(frame, within="bench").evidence()


def test_the_share_between_is_one_of_variances():
    levels = ms.pool(MIXED, within="batch_pair").levels
    mu, between, within = levels._axes()
    weight = np.asarray(levels.box.weight).reshape(len(mu), len(between), len(within))
    b, t = np.meshgrid(between, within, indexing="ij")
    plain = (weight.sum(axis=0) * b**2 / (b**2 + t**2 + 1e-300)).sum() / weight.sum()
    assert levels.share_between().mean == pytest.approx(plain, abs=2e-3)


def test_the_group_named_as_best_known_has_the_narrowest_interval():
    pooled = ms.pool(MIXED, within="batch_pair")
    widths = {}
    for name in pooled.groups:
        lower, upper = pooled.on(name).next_d_prime.interval()
        widths[name] = upper - lower
    assert pooled.variation().endswith(f" from {min(widths, key=widths.get)}.")


def test_rows_of_the_frame_are_the_distributions_they_name(nested):
    core = nested.nesting if hasattr(nested, "nesting") else nested
    frame = nested.to_frame(0.8).set_index("quantity")
    named = {
        "average d-prime": core.average,
        "next panel d-prime, new batch pair": core.next_d_prime,
        "spread between batch pairs": core.between,
        "spread within a batch pair": core.spread_within,
        "spread, both together": core.spread,
        "share of the variance between batch pairs": core.share,
    }
    assert frame.index.tolist()[:6] == list(named) and (frame["prob"] == 0.8).all()
    for name, value in named.items():
        lower, upper = value.interval(0.8)
        assert frame.loc[name, ["mean", "median", "lower", "upper"]].tolist() == pytest.approx(
            [value.mean, value.median, lower, upper]
        )
    assert core.between.median < core.spread.median and core.spread_within.median < core.spread.median


def test_a_row_a_group_counts_its_panels_and_gives_its_own_answer(nested):
    frame = nested.groups_frame(0.8)
    panels = nested.panels.frame["batch_pair"].value_counts()
    assert frame["panels"].tolist() == [panels[name] for name in frame["batch_pair"]]
    for row in frame.to_dict("records"):
        there = nested.on(row["batch_pair"])
        signed, following = there.signed, there.next_d_prime
        assert [row["pooled_lower"], row["pooled"], row["pooled_upper"]] == pytest.approx(
            [signed.interval(0.8)[0], signed.median, signed.interval(0.8)[1]]
        )
        assert [row["next_lower"], row["next"], row["next_upper"]] == pytest.approx(
            [following.interval(0.8)[0], following.median, following.interval(0.8)[1]]
        )
    assert (frame["prob"] == 0.8).all() and (frame["kind"] == "equal-tailed").all()


def test_the_level_is_weighed_against_the_pool_without_it(nested):
    core = nested.nesting if hasattr(nested, "nesting") else nested
    log = core.levels.box.log_evidence - nested.plain.evidences.varying
    assert core.bayes_factor == pytest.approx(np.exp(log))
    below = core.average.below(nested.margin.d_prime) if nested.margin else None
    if below is not None:
        assert (nested.verdict().below, nested.verdict().above) == pytest.approx((below, 1 - below))


def test_the_frame_of_groups_gives_the_pooled_answer_before_the_next_panel(nested):
    ends = [f"{name}{end}" for name in ("pooled", "next") for end in ("", "_lower", "_upper")]
    assert nested.groups_frame().columns.tolist() == ["batch_pair", "panels", *ends, "prob", "kind"]
