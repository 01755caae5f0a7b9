"""The model stated in PyMC: its log density against the formulas, with PyTensor evaluating nothing but numbers."""

import numpy as np
import pytest
from scipy.stats import norm

from metasense.engine.likelihood import Counts, Series
from metasense.engine.model import Ruler, _quadrature
from metasense.protocols import protocol


def test_the_ruler_is_the_panels_own_uncertainty_and_that_of_unlike_panels():
    ruler = Ruler(0.1, 0.3, 6.0)
    assert ruler.width(0.0) == pytest.approx(0.3)
    assert ruler.width(1.0) == pytest.approx(np.sqrt(0.09 + 1 / 10))
    assert ruler.width(0.5) == pytest.approx(np.sqrt(0.09 + 0.25 / 7))


def test_a_clusters_deviation_is_stepped_as_finely_as_its_tastings_ask():
    triangle = protocol("triangle")

    def step(copies, clusters, tastings=100):
        series = Series.build(
            [Counts(triangle, tastings, tastings // 2), Counts(triangle, tastings, tastings // 3)], copies
        )
        return _quadrature(series, np.array(clusters))

    assert step([1, 1], [0, 1]) == pytest.approx(2 / np.sqrt(100))
    assert step([1, 1], [0, 0]) == pytest.approx(2 / np.sqrt(200))
    assert step([1, 3], [0, 1]) == pytest.approx(2 / np.sqrt(300))
    assert step([1, 1], [0, 1], 10) == 0.3 and step([1, 1], [0, 1], 5000) == 0.05


@pytest.mark.mcmc
@pytest.mark.parametrize("kind", ["plain", "slope", "load", "clusters"])
def test_the_log_density_is_likelihood_times_prior_times_area(kind):
    from metasense.engine.model import build
    from metasense.engine.priors import Priors

    panels = [
        Counts(protocol("triangle"), 30, 14),
        Counts(protocol("tetrad"), 24, 12),
        Counts(protocol("triangle"), 20, 9),
    ]
    series = [Series.build(panels, np.ones(3))]
    X = np.array([[-1.0], [0.0], [1.0]]) if kind == "slope" else np.empty((3, 0))
    load = np.array([0.5, 1.0, 1.5]) if kind == "load" else 1.0
    clusters = np.array([0, 0, 1]) if kind == "clusters" else None
    ruler = Ruler(0.2, 0.3, 3.0)
    model = build(series, np.ones(1), Priors(), X, ruler, load, clusters)
    values = {"z": 0.4, "a": 0.7, "beta": 0.25, "split": 0.6}
    names = [v.name for v in model.free_RVs]
    terms = model.replace_rvs_by_values(model.potentials)
    log = model.compile_fn(
        terms, inputs=model.value_vars, on_unused_input="ignore", point_fn=False, mode="FAST_COMPILE"
    )
    found = {
        p.name: float(v)
        for p, v in zip(
            model.potentials,
            log(*(_placed(model, name, values[name], kind) for name in names)),
            strict=True,
        )
    }
    width = ruler.width(np.sin(0.7))
    log_R = 0.2 + 0.4 * width
    mu, tau = np.exp(log_R) * np.cos(0.7), np.exp(log_R) * np.sin(0.7)
    assert found["area"] == pytest.approx(2 * log_R + np.log(width))
    prior = -0.5 * (mu / 1.5) ** 2 - 0.5 * (tau / 0.5) ** 2
    if kind == "clusters":
        prior += -0.5 * (tau / 0.5) ** 2 + np.log(tau)
    assert found["prior"] == pytest.approx(prior)
    centres = load * (mu + (X[:, 0] * 0.25 if kind == "slope" else np.zeros(3)))
    z = np.linspace(-7.5, 7.5, 61)
    w = norm.pdf(z) * 0.25
    if kind == "clusters":
        within, between = tau * np.cos(0.6), tau * np.sin(0.6)
        theta = np.add.outer(mu + between * z, within * z)
        each = [np.exp(e.log_likelihood(np.abs(theta.ravel()), 0.0)).reshape(theta.shape) @ w for e in panels]
        expected = np.log((each[0] * each[1]) @ w) + np.log(each[2] @ w)
    else:
        each = [np.exp(e.log_likelihood(np.abs(c + tau * z), 0.0)) @ w for e, c in zip(panels, centres, strict=True)]
        expected = np.log(each).sum()
    scale = series[0].log_scale.sum()  # potentials are relative to the largest value of each panel
    assert found["panels"] + scale == pytest.approx(expected, abs=1e-5)


def _placed(model, name, value, kind):
    """The value on the scale on which PyMC moves."""
    rv = model[name]
    transform = model.rvs_to_transforms[rv]
    there = np.atleast_1d(value) if name == "beta" else np.asarray(value)
    return there if transform is None else transform.forward(there, *rv.owner.inputs).eval()
