"""Panels with centres of their own: against plain sums over theta and over the clusters' deviations."""

import numpy as np
import pytest
from scipy.stats import binom, norm

from metasense.engine.centres import Centres, Table
from metasense.engine.likelihood import Counts, Repeats
from metasense.protocols import forced_choice

WITHIN = 0.3


def panels(name, tastings=30, correct=(14, 16, 17, 19, 15, 22)):
    return [Counts(forced_choice(name), tastings, x) for x in correct]


def points(seed, columns, size=5):
    rng = np.random.default_rng(seed)
    return rng.normal(0.7, 0.5, size), rng.normal(0, 0.4, (columns, size)), np.abs(rng.normal(0, 0.5, size))


def chance(one, centre):
    """Of a panel's count for thetas drawn from Normal(centre, WITHIN), by a plain sum."""
    z = np.linspace(-7, 7, 281)
    theta = centre + WITHIN * z
    at = theta if one.protocol.directed else np.abs(theta)
    return norm.pdf(z) * 0.05 @ binom.pmf(one.correct, one.tastings, one.protocol.p_correct(at))


@pytest.mark.parametrize("name", ["triangle", "2-AFC"])
def test_panels_apart_are_a_plain_product(name):
    found, columns = panels(name), np.random.default_rng(0).normal(size=(6, 2))
    centres = Centres(found, np.ones(6), columns)
    mu, beta, _ = points(1, 2)
    logs = centres.log_likelihood(centres.tables(WITHIN), WITHIN, mu, beta, None)
    plain = [
        sum(np.log(chance(one, m + x @ b)) for one, x in zip(found, columns, strict=True))
        for m, b in zip(mu, beta.T, strict=True)
    ]
    assert logs == pytest.approx(plain, abs=1e-4)


@pytest.mark.parametrize("name", ["triangle", "2-AFC"])
def test_panels_in_clusters_are_a_plain_sum_over_the_clusters_deviations(name):
    found, columns = panels(name), np.random.default_rng(0).normal(size=(6, 1))
    centres = Centres(found, np.ones(6), columns, np.array([0, 1, 2, 0, 1, 2]))
    mu, beta, between = points(2, 1)
    logs = centres.log_likelihood(centres.tables(WITHIN), WITHIN, mu, beta, between)
    e = np.linspace(-7, 7, 141)
    for k in range(5):
        plain = 0.0
        for cluster in range(3):
            two = [(found[i], mu[k] + columns[i] @ beta[:, k]) for i in (cluster, cluster + 3)]
            plain += np.log(
                sum(
                    w * chance(two[0][0], two[0][1] + between[k] * z) * chance(two[1][0], two[1][1] + between[k] * z)
                    for z, w in zip(e, norm.pdf(e) * 0.1, strict=True)
                )
            )
        assert logs[k] == pytest.approx(plain, abs=3e-4)


def test_the_load_multiplies_the_centre():
    found, columns = panels("triangle"), np.zeros((6, 0))
    doses = np.array([0.0, 0.5, 1.0, 1.0, 1.5, 2.0])
    loaded = Centres(found, doses, columns)
    assert loaded.centres(np.array([0.8]), np.zeros((0, 1)))[:, 0] == pytest.approx(
        0.8 * np.unique(doses)
    )  # equal: one row
    logs = loaded.log_likelihood(loaded.tables(WITHIN), WITHIN, np.array([0.8]), np.zeros((0, 1)), None)
    assert logs[0] == pytest.approx(
        sum(np.log(chance(p, 0.8 * d)) for p, d in zip(found, doses, strict=True)), abs=1e-4
    )


@pytest.mark.parametrize("clusters", [None, np.array([0, 0, 1, 1])])
def test_the_overdispersion_of_repeat_tasters_is_averaged_over_all_panels_at_once(clusters):
    protocol = forced_choice("triangle")
    people = ((3, 0, 2), (3, 1, 4), (3, 3, 5))
    found = [Repeats(protocol, people), Counts(protocol, 30, 14), Repeats(protocol, people), Counts(protocol, 30, 17)]
    columns = np.array([[-1.0], [0.0], [0.5], [0.5]])
    together = Centres(found, np.ones(4), columns, clusters)
    mu, beta, between = points(3, 1)
    spread = None if clusters is None else between
    logs = together.log_likelihood(together.tables(WITHIN), WITHIN, mu, beta, spread)
    each = []
    for series in together.series:  # one overdispersion at a time, as if it were known
        gamma = series.gamma
        known = [_Known(one, gamma) for one in found]
        alone = Centres(known, np.ones(4), columns, clusters)
        each.append(alone.log_likelihood(alone.tables(WITHIN), WITHIN, mu, beta, spread))
    assert logs == pytest.approx(np.log(together.shares @ np.exp(each)), abs=1e-5)


class _Known:
    """A panel whose overdispersion is known."""

    repeated = False
    pairs = 0.0

    def __init__(self, one, gamma):
        self.one, self.gamma, self.protocol, self.size = one, gamma, one.protocol, one.size

    def log_likelihood(self, theta, gamma):
        return self.one.log_likelihood(theta, self.gamma)


def test_a_table_gives_cubics_back_and_is_even_at_its_ends():
    step = 0.1
    at = (np.arange(100) + 0.5) * step
    table = Table(np.stack([at**3 - 4 * at, np.cos(at * np.pi / 5)]), step, 0.0, 10.0)
    inside = np.array([[0.4, 3.21, 7.77], [0.4, 3.21, 7.77]])
    assert table.read(2, inside)[0] == pytest.approx(inside[0] ** 3 - 4 * inside[0], abs=1e-9)
    assert table.read(2, np.full((2, 1), -3.3)) == pytest.approx(table.read(2, np.full((2, 1), 3.3)))
    ends = np.array([[0.0, 10.0, 12.0]])
    assert Table(np.cos(at * np.pi / 5)[None], step, 0.0, 10.0).read(1, ends)[0] == pytest.approx([1, 1, 1], abs=2e-5)
