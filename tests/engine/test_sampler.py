"""Sampling against integration of the same model: two ways that share only the cosine series.

The engine that integrates is held to outside references in `test_grid`. Here every difference is measured in
Monte Carlo standard errors as `arviz_stats` computes them. Seeds are fixed, so a test that passes keeps passing.
"""

import logging
import signal
import warnings

import arviz_stats
import numpy as np
import pytest
import xarray as xr

from metasense.core.diagnostics import Diagnostics
from metasense.engine import sampler as mcmc
from metasense.engine.grid import integrate
from metasense.engine.likelihood import Counts, RepeatedTotal, Repeats, Series, TwoCounts
from metasense.engine.priors import Priors
from metasense.protocols import protocol

pytestmark = pytest.mark.mcmc


def counts(name, tastings, *correct):
    return [Counts(protocol(name), tastings, x) for x in correct]


SETS = {
    "near chance": (counts("triangle", 40, 13, 12, 15), [2, 1, 1]),
    "one panel": (counts("triangle", 40, 20), [1]),
    "huge panels": (counts("tetrad", 5000, 2475, 2500, 2460, 2490), [1, 1, 1, 1]),
    "directed": (
        [
            *counts("2-AFC", 40, 17),
            *counts("triangle", 36, 15),
            *counts("3-AFC", 30, 11),
            TwoCounts(protocol("A-not-A"), 40, 25, 40, 17),
        ],
        [1, 1, 1, 1],
    ),
    "repeats": (
        [
            RepeatedTotal(protocol("triangle"), 8, 24, 12),
            Repeats(protocol("triangle"), ((3, 3, 2), (3, 1, 4), (3, 0, 2))),
            *counts("triangle", 30, 15),
        ],
        [1, 1, 1],
    ),
}


ALWAYS = ("directed", "repeats")  # the other sets are like these; all agree in the slow tests


@pytest.fixture(
    scope="module",
    params=[
        name if name == ALWAYS[0] else pytest.param(name, marks=pytest.mark.lab if name in ALWAYS else pytest.mark.slow)
        for name in SETS
    ],
)
def both(request):
    evidence, copies = SETS[request.param]
    return integrate(evidence, copies, Priors())[0], mcmc.sample(evidence, copies, Priors(), seed=11)


def test_sampling_agrees_with_integration_and_is_healthy(both):
    exact, (sampled, chains, draws) = both
    diagnostics = Diagnostics.of(chains)
    assert diagnostics.divergences == 0
    assert (diagnostics.frame["r_hat"] < 1.01).all()
    assert diagnostics.advice == ()
    assert "The chains agree" in repr(diagnostics)

    means = arviz_stats.mcse(draws, method="mean")
    expected = {
        "mu": exact.expect(lambda mu, tau: mu),
        "tau": exact.expect(lambda mu, tau: tau),
        "average_d_prime": exact.average.mean,
    }
    for name, value in expected.items():
        assert abs(float(draws[name].mean()) - value) < 4 * float(means[name]), name
    for q in (0.025, 0.5, 0.975):
        errors = arviz_stats.mcse(draws, method="quantile", prob=q)
        for name, distribution in (("average_d_prime", exact.average), ("tau", exact.spread)):
            off = abs(float(draws[name].quantile(q)) - float(distribution.quantile(q)))
            assert off < 4 * float(errors[name]) + 1e-3, (name, q)

    # what is computed from the draws as nodes: the next panel, a panel's own d-prime, a rate
    scale = 4 * float(means["average_d_prime"] / draws["average_d_prime"].std())
    pairs = [
        (sampled.next_d_prime, exact.next_d_prime),
        (sampled.panels([0])[0], exact.panels([0])[0]),
        (sampled.average_rate(protocol("triangle")), exact.average_rate(protocol("triangle"))),
        (sampled.next_rate(protocol("2-AFC")), exact.next_rate(protocol("2-AFC"))),
    ]
    for one, other in pairs:
        assert abs(one.mean - other.mean) < scale * other.sd
        assert one.sd == pytest.approx(other.sd, rel=0.1)
    assert sampled.method == "mcmc"
    assert sampled.directed == exact.directed
    assert sum(p.share for p in sampled.patches) == pytest.approx(1)
    if "gamma" in draws:
        share = sum(p.share * p.series.gamma for p in exact.patches)
        error = float(arviz_stats.mcse(draws[["gamma"]], method="mean")["gamma"])
        assert abs(float(draws["gamma"].mean()) - share) < 4 * error


def three_dimensional(evidence, x, priors):
    """Posterior means of (mu, tau, beta) for one moderator, by sums over a dense grid."""
    mu, tau, beta = np.linspace(0, 3.5, 71), np.linspace(0, 2.4, 49), np.linspace(-2, 2, 81)
    M, T, B = np.meshgrid(mu, tau, beta, indexing="ij")
    log = -0.5 * ((M / priors.centre_scale) ** 2 + (T / priors.spread_scale) ** 2 + (B / priors.slope_scale) ** 2)
    for panel, value in zip(evidence, x, strict=True):
        series = Series.build([panel], [1])
        centre = (mu[:, None] + value * beta).ravel()
        waves = np.cos(np.multiply.outer(centre, series.frequencies)) * series.coefficients[0]
        damping = np.exp(-0.5 * np.multiply.outer(tau**2, series.frequencies**2))
        average = np.maximum(waves @ damping.T, 1e-14).reshape(len(mu), len(beta), len(tau))
        log += np.log(average).transpose(0, 2, 1)
    weight = np.exp(log - log.max())
    weight[0] /= 2
    weight[:, 0] /= 2
    return [float((weight * v).sum() / weight.sum()) for v in (M, T, B)]


@pytest.mark.slow  # one sampled moderator is always held to integration, in tests/questions/test_moderators.py
@pytest.mark.parametrize(
    "correct",
    [(8, 22, 17, 22, 24, 18, 21, 24), (12, 14, 10, 11, 15, 12, 12, 10)],
    ids=["clear slope", "near chance"],
)
def test_a_moderators_slope_is_that_of_a_dense_grid(correct):
    x = np.linspace(-1.5, 1.5, 8)
    x /= x.std()
    evidence = counts("tetrad", 36, *correct)
    _, chains, draws = mcmc.sample_moderated(evidence, Priors(), columns=x[:, None], names=["dose"], seed=4)
    diagnostics = Diagnostics.of(chains)
    assert diagnostics.advice == ()
    assert diagnostics.divergences == 0
    assert draws["beta"].dims == ("chain", "draw", "moderator")
    assert diagnostics.frame["quantity"].tolist()[-1] == "the slope of dose"
    errors = arviz_stats.mcse(draws, method="mean")
    expected = dict(zip(("mu", "tau", "beta"), three_dimensional(evidence, x, Priors()), strict=True))
    for name, value in expected.items():
        assert abs(float(draws[name].mean()) - value) < 4 * float(errors[name].squeeze()) + 2e-3, name


def test_a_seed_repeats_and_another_differs_and_nothing_is_printed(capfd, caplog):
    evidence, copies = SETS["near chance"]
    level = logging.getLogger("pymc").level
    filters = list(warnings.filters)
    runs = [mcmc.sample(evidence, copies, Priors(), seed=seed, draws=60, tune=150, chains=2)[2] for seed in (7, 7, 8)]
    assert runs[0].identical(runs[1])
    assert not runs[0]["mu"].equals(runs[2]["mu"])
    assert runs[0].attrs["seed"] == 7
    assert runs[0].sizes == {"chain": 2, "draw": 60}
    assert capfd.readouterr() == ("", "")
    assert not caplog.records
    assert logging.getLogger("pymc").level == level
    assert warnings.filters == filters


@pytest.mark.lab
def test_an_interrupt_in_any_chain_leaves_at_once_and_cleanly(monkeypatch):
    import pymc

    evidence, copies = SETS["near chance"]
    original = pymc.sample

    for at in (10, 250):  # in the first and in the last of two chains of 200

        def interrupted(*args, callback, at=at, **options):
            calls = iter(range(10_000))

            def watch(trace, draw):
                callback(trace, draw)
                if next(calls) == at:
                    raise KeyboardInterrupt

            return original(*args, callback=watch, **options)

        monkeypatch.setattr(pymc, "sample", interrupted)
        with pytest.raises(KeyboardInterrupt, match="nothing was kept"):
            mcmc.sample(evidence, copies, Priors(), draws=100, tune=100, chains=2, seed=1)
    monkeypatch.setattr(pymc, "sample", original)
    again = mcmc.sample(evidence, copies, Priors(), draws=50, tune=100, chains=2)[2]
    assert again.sizes["draw"] == 50
    assert again.attrs["seed"] >= 0  # none was given: one was drawn, and is on record


def test_an_interrupt_inside_compiled_code_comes_out_as_one(monkeypatch):
    import pymc

    def as_numba_reports_it(*args, **options):
        raise SystemError("<built-in method> returned a result with an exception set")

    def as_pytensor_passes_it_on(*args, **options):
        try:
            raise KeyboardInterrupt
        except KeyboardInterrupt as interrupt:
            raise ValueError("Apply node that caused the error") from interrupt

    def something_else(*args, **options):
        raise ValueError("something else")

    evidence, copies = SETS["near chance"]
    for failing in (as_numba_reports_it, as_pytensor_passes_it_on):
        monkeypatch.setattr(pymc, "sample", failing)
        with pytest.raises(KeyboardInterrupt, match="nothing was kept") as found:
            mcmc.sample(evidence, copies, Priors(), draws=100, tune=100)
        assert found.value.__suppress_context__
    monkeypatch.setattr(pymc, "sample", something_else)
    with pytest.raises(ValueError, match="something else"):
        mcmc.sample(evidence, copies, Priors(), draws=100, tune=100)


@pytest.mark.lab
def test_an_interrupt_while_compiling_waits_for_the_first_draw_and_is_not_lost(monkeypatch):
    import pymc

    evidence, copies = SETS["near chance"]
    found = signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell's background jobs ignore it
    original, usual = pymc.sample, signal.getsignal(signal.SIGINT)

    def held(*args, **options):
        signal.raise_signal(signal.SIGINT)  # a compiler struck here would fail, or crash later
        return original(*args, **options)

    def struck_all_the_same(*args, **options):
        signal.raise_signal(signal.SIGINT)
        raise RuntimeError("no compiled object yet")

    def twice(*args, **options):
        signal.raise_signal(signal.SIGINT)
        signal.raise_signal(signal.SIGINT)
        pytest.fail("the second interrupt must strike at once")

    try:
        for stopped in (held, struck_all_the_same, twice):
            monkeypatch.setattr(pymc, "sample", stopped)
            with pytest.raises(KeyboardInterrupt, match="nothing was kept"):
                mcmc.sample(evidence, copies, Priors(), draws=100, tune=100, chains=2, seed=1)
            assert signal.getsignal(signal.SIGINT) is usual
    finally:
        signal.signal(signal.SIGINT, found)


@pytest.mark.parametrize("mirrored", [False, True])
def test_the_sampler_learns_the_widths_of_one_half_of_a_mirrored_posterior(mirrored):
    rng = np.random.default_rng(4)
    draws = np.array([0.5, -2.0, 1.0]) + np.array([3.0, 0.4, 0.1]) * rng.standard_normal((1000, 3))
    sides = rng.choice([-1.0, 1.0], 1000)
    scales = mcmc._scales({"z": np.zeros(()), "a_interval__": np.zeros(()), "beta": np.zeros(1)}, mirrored)
    for draw, side in zip(draws, sides, strict=True):
        scales.update(draw * [1, side, side], np.zeros(3), True)
    learned = np.sqrt(scales.velocity(np.ones(3)))
    of_both = [3.0, np.hypot(0.4, 2.0), np.hypot(0.1, 1.0)]
    assert learned == pytest.approx([3.0, 0.4, 0.1] if mirrored else of_both, rel=0.1)


@pytest.mark.parametrize(("options", "message"), [
    ({"chains": 1}, "chains >= 2"),
    ({"draws": 0}, "draws >= 4"),
    ({"tune": 0}, "tune >= 1"),
])  # fmt: skip
def test_what_cannot_be_sampled_is_refused_before_sampling(options, message):
    evidence, copies = SETS["near chance"]
    with pytest.raises(ValueError, match=message) as refused:
        mcmc.sample(evidence, copies, Priors(), **options)
    assert "tune" in options or "tune" not in str(refused.value)  # pool has no such option


def test_to_arviz_gives_what_the_installed_arviz_works_with():
    import arviz

    draws = xr.Dataset({"mu": (("chain", "draw"), np.random.default_rng(1).standard_normal((2, 50)))})
    found = mcmc.to_arviz(draws, sample_stats=draws.rename(mu="energy"))
    assert "mu" in found["posterior"]
    assert "energy" in found["sample_stats"]
    assert type(found).__name__ == ("InferenceData" if arviz.__version__.startswith("0.") else "DataTree")
    assert "mu" in arviz.summary(found).index
