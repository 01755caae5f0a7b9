"""Each panel left out exactly: against plain sums over a grid of centre and spread, and against what PSIS makes of draws."""

import numpy as np
import pytest
from scipy.stats import binom, norm

import metasense as ms
from metasense.core.core import Core
from metasense.engine.grid import IntegrationError
from metasense.protocols import protocol

CORRECT = np.array([8, 10, 13, 15, 12, 17])
TABLE = {"panel": list("ABCDEF"), "protocol": "triangle", "tastings": 24, "correct": CORRECT.tolist()}
X = np.array([1.0, 2, 3, 5, 6, 7])
GROUP = np.array([0, 0, 1, 1, 2, 2])


def plain_sums():
    """Log probability of each panel given the others, by sums over centre, spread and the panels' own d-primes."""
    mu, tau, z = np.linspace(0, 6, 241), np.linspace(0, 3, 121), np.linspace(-6, 6, 97)
    theta, fine = mu[:, None, None] + tau[:, None] * z, np.linspace(-26, 26, 20_001)
    p = np.interp(theta, fine, protocol("triangle").p_correct(np.abs(fine)))
    weight = norm.pdf(z) / norm.pdf(z).sum()
    each = np.stack([binom.pmf(x, 24, p) @ weight for x in CORRECT])
    prior = np.exp(-0.5 * (mu[:, None] / 1.5) ** 2 - 0.5 * (tau / 0.5) ** 2)
    prior[0] /= 2
    prior[:, 0] /= 2
    whole = (prior * each.prod(axis=0)).sum()
    return np.log([whole / (prior * np.delete(each, i, axis=0).prod(axis=0)).sum() for i in range(6)])


def test_a_plain_pool_leaves_out_as_plain_sums_do():
    found = ms.pool(TABLE).leave_one_out()
    expected = plain_sums()
    assert found.to_frame()["elpd"].to_numpy() == pytest.approx(expected, abs=2e-4)
    assert found.elpd == pytest.approx(expected.sum(), abs=1e-3)
    assert found.error == pytest.approx(np.sqrt(6) * expected.std(ddof=1), abs=1e-3)
    assert found.gain is None and "elpd_plain" not in found.to_frame()
    probability = round(100 * np.exp(expected.mean()), 1)
    assert f"had a probability of {probability} % (geometric mean)" in found.sentence()


def test_a_panel_alone_is_left_to_the_prior():
    one = {name: values[:1] if isinstance(values, list) else values for name, values in TABLE.items()}
    found = ms.pool(one).leave_one_out()
    assert found.elpd == pytest.approx(ms.pool(one).evidences.varying, abs=1e-4)
    assert "standard error" not in found.sentence()


def scattered(slope, groups):
    """The same with a slope or a level, by drawing from the prior and weighing by the panels."""
    rng = np.random.default_rng(1)
    size = 50_000
    mu, tau = np.abs(rng.normal(0, 1.5, size)), np.abs(rng.normal(0, 0.5, size))
    centre = np.repeat(mu[:, None], 6, axis=1)
    if slope:
        centre = centre + np.multiply.outer(rng.normal(0, 0.5, size), (X - X.mean()) / X.std())
        kept = (centre >= 0).all(axis=1)
        centre, tau = centre[kept], tau[kept]
    if groups:
        between = np.abs(rng.normal(0, 0.5 / np.sqrt(2), size))
        tau = np.abs(rng.normal(0, 0.5 / np.sqrt(2), size))
        centre = centre + (between[:, None] * rng.normal(size=(size, 3)))[:, GROUP]
    theta = np.abs(centre + tau[:, None] * rng.normal(size=centre.shape))
    fine = np.linspace(0, 12, 5001)
    each = binom.pmf(CORRECT, 24, np.interp(theta, fine, protocol("triangle").p_correct(fine)))
    whole = each.prod(axis=1).mean()
    return np.log([whole / np.delete(each, i, axis=1).prod(axis=1).mean() for i in range(6)])


@pytest.mark.parametrize(
    ("asked", "slope", "groups", "said"),
    [
        ({"moderators": "x"}, True, False, "With x panels are foretold better than without, by 2.2"),
        ({"within": "batch_pair"}, False, True, "With the level batch pair panels are foretold better than without"),
    ],
)
def test_a_moderator_or_a_level_leaves_out_as_draws_from_its_prior_do(asked, slope, groups, said):
    table = TABLE | {"x": X.tolist(), "batch_pair": [f"P{g}" for g in GROUP]}
    pooled = ms.pool(table, **asked)
    found = pooled.leave_one_out()
    assert found.to_frame()["elpd"].to_numpy() == pytest.approx(scattered(slope, groups), abs=0.06)
    without = pooled.plain.leave_one_out()
    assert found.to_frame()["elpd_plain"].to_numpy() == pytest.approx(without.to_frame()["elpd"].to_numpy())
    more = found.to_frame()["elpd"] - found.to_frame()["elpd_plain"]
    assert found.gain == pytest.approx((more.sum(), np.sqrt(6) * more.std(ddof=1)))
    assert said in found.sentence() and "that may be chance" in found.sentence()
    assert "without" in str(found)


def test_panels_with_two_counts_and_repeats_are_left_out_too():
    table = {
        "panel": ["A", "B", "C"], "protocol": ["triangle", "A-not-A", "triangle"], "tastings": [24, None, 24],
        "correct": [12, None, 15], "tasters": [6, None, 24], "signal": [None, 20, None], "hits": [None, 14, None],
        "noise": [None, 20, None], "false_alarms": [None, 6, None],
    }  # fmt: skip
    pooled = ms.pool(table)
    elpd = pooled.leave_one_out().to_frame()["elpd"]
    without = [
        ms.pool({name: [v for k, v in enumerate(values) if k != i] for name, values in table.items()}) for i in range(3)
    ]
    whole = pooled.evidences.varying
    assert elpd.to_numpy() == pytest.approx([whole - other.evidences.varying for other in without], abs=1e-3)


def test_what_cannot_be_integrated_says_what_to_ask_instead(monkeypatch):
    pooled = ms.pool(TABLE | {"x": X.tolist()}, moderators="x")

    def fails(*args, **options):
        raise IntegrationError("did not settle")

    monkeypatch.setattr("metasense.questions.moderators.by_integration", fails)
    with pytest.raises(IntegrationError, match=r"to_arviz\(\) has the log likelihoods"):
        pooled.leave_one_out()


@pytest.mark.lab
def test_people_who_are_followed_are_new_in_every_panel_and_that_is_said():
    answers = {"Ann": [1, 1, 1], "Bob": [0, 1, 0], "Cai": [0, 0, 1], "Dee": [1, 1, 0]}
    rows = [
        {"panel": f"evening {i}", "protocol": "triangle", "taster": t, "correct": answers[t][i]}
        for i in range(3)
        for t in answers
    ]
    tastings = ms.read_tastings(rows)
    followed, new = ms.pool(tastings), ms.pool(tastings, regulars=False)
    assert isinstance(followed.core, Core) and followed.core.regulars is not None
    assert followed.leave_one_out().elpd == pytest.approx(new.leave_one_out().elpd, abs=1e-4)
    assert "Everybody is taken as new" in followed.leave_one_out().sentence()
    assert "Everybody" not in new.leave_one_out().sentence()
