"""What ArviZ makes of a pool: every group in its place, and its functions and figures on both of its generations."""

import warnings

import numpy as np
import pytest

import metasense as ms

TABLE = {
    "panel": list("ABCDEF"), "protocol": "triangle", "tastings": 24, "correct": [8, 10, 13, 15, 12, 17],
    "x": [1, 2, 3, 5, 6, 7], "batch_pair": list("uuvvww"),
}  # fmt: skip
KINDS = {"plain": {}, "moderated": {"moderators": "x"}, "nested": {"within": "batch_pair"}}
GROUPS = (
    "posterior", "posterior_predictive", "log_likelihood", "log_prior", "prior", "prior_predictive", "observed_data",
    "constant_data",
)  # fmt: skip


def groups_in(data):
    """Names of the groups, in either generation."""
    return set(data.groups()) if callable(data.groups) else set(data.children)


@pytest.fixture(scope="module")
def given():
    pools = {kind: ms.pool(TABLE, **asked, draws=500) for kind, asked in KINDS.items()}
    return {kind: (pooled, pooled.to_arviz()) for kind, pooled in pools.items()}


@pytest.mark.parametrize("kind", KINDS)
def test_every_group_is_there_with_named_dims_and_the_draws_as_they_are(kind, given):
    pooled, data = given[kind]
    assert groups_in(data) == set(GROUPS)
    for group in ("posterior_predictive", "prior_predictive", "log_likelihood"):
        assert data[group]["correct"].dims == ("chain", "draw", "panel")
        assert data[group]["correct"].shape == (4, 500, 6)
        assert data[group]["panel"].values.tolist() == TABLE["panel"]
    assert data["observed_data"]["correct"].values.tolist() == TABLE["correct"]
    assert data["constant_data"]["tastings"].values.tolist() == [24] * 6
    assert np.array_equal(data["posterior"]["d_prime"].values, pooled.draws["d_prime"].values)
    assert set(data["log_prior"].data_vars) < set(data["posterior"].data_vars)
    assert set(data["prior"].data_vars) == set(data["posterior"].data_vars)
    if kind == "nested":
        assert data["constant_data"]["group"].values.tolist() == TABLE["batch_pair"]
    if kind == "moderated":
        assert data["log_prior"]["effect"].dims == ("chain", "draw", "moderator")
        assert data["constant_data"]["design"].values[:, 0].std() == pytest.approx(1)


def test_the_seed_gives_the_same_again_and_nothing_is_printed(given, capsys):
    again = ms.pool(TABLE, draws=500).to_arviz()
    other = ms.pool(TABLE, draws=500, seed=2).to_arviz()
    for group in ("posterior_predictive", "prior_predictive", "log_likelihood"):
        seen = given["plain"][1][group]["correct"].values
        assert np.array_equal(seen, again[group]["correct"].values)
        assert not np.array_equal(seen, other[group]["correct"].values)
    assert capsys.readouterr() == ("", "")


@pytest.mark.parametrize("kind", KINDS)
def test_psis_agrees_with_panels_left_out_exactly(kind, given):
    import arviz_stats

    pooled, data = given[kind]
    exact = pooled.leave_one_out().to_frame()["elpd"].to_numpy()
    found = arviz_stats.loo(data, pointwise=True)
    assert np.asarray(found.elpd_i) == pytest.approx(exact, abs=0.25)
    assert float(found.elpd) == pytest.approx(exact.sum(), abs=0.4)
    assert (np.asarray(found.pareto_k) < 0.7).all()


@pytest.mark.lab
def test_psense_and_compare_work_on_it(given):
    import arviz_stats

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of weights that do not converge, which are not ours
        ranks = arviz_stats.compare({kind: data for kind, (_, data) in given.items()})
        assert set(ranks.index) == set(KINDS)
        for _, data in given.values():
            for group in ("prior", "likelihood"):
                found = arviz_stats.psense(data, var_names=["average", "spread"], group=group)
                found = found if "average" in found else found["posterior"]
                assert float(found["average"]) >= 0
    exact = {kind: pooled.leave_one_out().elpd for kind, (pooled, _) in given.items()}
    assert ranks.index[0] == max(exact, key=exact.get)


@pytest.mark.lab
@pytest.mark.parametrize("kind", KINDS)
def test_predictive_checks_are_drawn_by_the_arviz_that_is_installed(kind, given):
    import arviz
    import arviz_stats
    import matplotlib

    matplotlib.use("agg")
    data = given[kind][1]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        pit = arviz_stats.loo_pit(data)
        values = np.asarray(pit["correct"])
        assert values.shape == (6,) and ((values >= 0) & (values <= 1)).all()
        if arviz.__version__.startswith("0."):
            assert arviz.plot_ppc(data, num_pp_samples=20, random_seed=1) is not None
            assert arviz.plot_loo_pit(data, y="correct") is not None
        else:
            assert arviz.plot_ppc_dist(data, num_samples=20) is not None
            assert arviz.plot_ppc_pit(data) is not None
            assert arviz.plot_loo_pit(data) is not None
    matplotlib.pyplot.close("all")


def test_panels_with_two_counts_have_hits_and_false_alarms():
    table = {
        "panel": ["A", "B"], "protocol": ["triangle", "A-not-A"], "tastings": [24, None], "correct": [12, None],
        "signal": [None, 20], "hits": [None, 14], "noise": [None, 22], "false_alarms": [None, 6],
    }  # fmt: skip
    both = ms.pool(table, draws=50).to_arviz()
    assert both["observed_data"]["correct"].dims == ("forced_choice_panel",)
    assert both["observed_data"]["hits"].dims == ("two_count_panel",)
    assert both["constant_data"]["noise"].values.tolist() == [22]
    assert both["constant_data"]["tastings"].values.tolist() == [24, 42]
    assert both["log_likelihood"]["counts"].dims == ("chain", "draw", "panel")
    predicted = both["posterior_predictive"]
    assert predicted["hits"].shape == (4, 50, 1) and int(predicted["false_alarms"].max()) <= 22
    alone = ms.pool({name: values[1:] for name, values in table.items()}, draws=50).to_arviz()
    assert alone["posterior_predictive"]["hits"].dims == ("chain", "draw", "panel")


@pytest.mark.lab
def test_repeat_tasters_have_their_overdispersion_and_people_who_are_followed_no_log_likelihood():
    repeats = ms.pool(TABLE | {"tasters": [24, 6, 8, 24, 12, 24]}, draws=50).to_arviz()
    assert ((repeats["posterior"]["overdispersion"] > 0) & (repeats["posterior"]["overdispersion"] < 1)).all()
    assert repeats["constant_data"]["tasters"].values.tolist() == [24, 6, 8, 24, 12, 24]
    rows = [
        {"panel": f"evening {i}", "protocol": "triangle", "taster": t, "correct": int(t in seen)}
        for i, seen in enumerate(("ad", "abd", "ac"))
        for t in "abcd"
    ]
    followed = ms.pool(ms.read_tastings(rows), draws=50)
    data = followed.to_arviz()
    assert followed.regulars().people == 4
    assert groups_in(data) == set(GROUPS) - {"log_likelihood"}
    assert data["posterior_predictive"]["correct"].shape == (4, 50, 3)


@pytest.mark.lab
def test_a_sampled_pool_gives_what_the_sampler_recorded():
    asked = {"method": "mcmc", "draws": 150, "chains": 2}
    plain = ms.pool(TABLE, **asked).to_arviz()
    assert plain["sample_stats"]["diverging"].shape == (2, 150)
    assert plain["log_likelihood"]["correct"].shape == (2, 150, 6)
    pooled = ms.pool(TABLE, moderators="x", within="batch_pair", **asked)
    moderated = pooled.to_arviz()
    chains, draws = moderated["posterior"]["average"].shape  # those with all centres on one side of 0
    assert chains == 2 and 0 < draws <= 150
    assert moderated["sample_stats"]["energy"].shape == (chains, draws)
    assert np.isfinite(moderated["log_likelihood"]["correct"]).all()
    exact = ms.pool(TABLE, moderators="x", within="batch_pair").draws
    for name in ("between", "within", "effect", "d_prime"):
        spread = float(exact[name].std())
        assert float(moderated["posterior"][name].mean()) == pytest.approx(float(exact[name].mean()), abs=0.5 * spread)


def test_moderators_that_had_to_be_sampled_have_draws_without_a_word_of_mcmc(monkeypatch):
    """The integration failing, PyMC samples unasked; the draws are then the sampler's."""
    import xarray as xr

    from metasense.engine import sampler
    from metasense.engine.chains import Chains
    from metasense.engine.grid import IntegrationError
    from metasense.engine.likelihood import Series

    def fails(*args, **options):
        raise IntegrationError("did not settle")

    def sampled(evidence, priors, *, columns, names, draws, chains, seed, **rest):
        rng = np.random.default_rng(seed)
        values = {"mu": rng.normal(1, 0.8, (chains, draws)), "tau": np.abs(rng.normal(0, 0.3, (chains, draws)))}
        data = {name: (("chain", "draw"), value) for name, value in values.items()}
        data["beta"] = (("chain", "draw", "moderator"), rng.normal(0, 0.3, (chains, draws, 1)))
        statistics = xr.Dataset({"energy": (("chain", "draw"), values["mu"])})
        return Series.build(evidence, np.ones(6)), Chains((), 0, chains, draws, statistics), xr.Dataset(data)

    import pandas as pd

    from metasense.core.diagnostics import Diagnostics

    monkeypatch.setattr("metasense.questions.moderators.by_integration", fails)
    monkeypatch.setattr(sampler, "sample_moderated", sampled)
    monkeypatch.setattr(
        Diagnostics, "of", lambda chains: Diagnostics(pd.DataFrame({"r_hat": []}), 0, 4, 300, chains.statistics)
    )
    monkeypatch.setattr(Diagnostics, "advice", ())
    pooled = ms.pool(TABLE, moderators="x", draws=300)
    data = pooled.to_arviz()
    assert pooled.settings["method"] == "grid" and pooled.method == "mcmc"
    centres = (
        data["posterior"]["centre"].values[..., None]
        + data["posterior"]["effect"].values * data["constant_data"]["design"].values[:, 0]
    )
    assert (centres >= 0).all()  # the others were left out,
    assert 100 < data["posterior"].sizes["draw"] < 300
    assert np.array_equal(data["sample_stats"]["energy"].values, data["posterior"]["centre"].values)  # of all alike
