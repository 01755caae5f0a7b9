"""If some tasters knew: the answer for each share, and from which share on the verdict changes."""

import numpy as np
import pandas as pd
import pytest

import metasense as ms
from metasense.core.answers import Verdict
from metasense.questions.leak import Leak, with_told
from metasense.results.page import changes
from metasense.showing import words
from metasense.showing.words import banned

TABLE = {"panel": list("ABC"), "protocol": "triangle", "tastings": 24, "correct": [13, 14, 13]}


@pytest.fixture(scope="module")
def pooled():
    return ms.pool(TABLE, margin="d'=0.8")


def test_with_nobody_told_it_is_the_pool(pooled):
    first = pooled.leak().to_frame().iloc[0]
    assert first["median"] == pytest.approx(pooled.average.median, abs=1e-6)
    assert first["p_above"] == pytest.approx(pooled.verdict().above, abs=1e-6)


def test_the_answer_agrees_with_plain_sums_over_a_grid(pooled):
    from scipy.stats import binom

    mu, tau = np.meshgrid(np.linspace(0, 7, 141), np.linspace(0.0125, 3, 120), indexing="ij")
    nodes, weights = np.polynomial.hermite_e.hermegauss(31)
    theta = np.abs(mu[..., None] + tau[..., None] * nodes)
    p = 0.2 + 0.8 * ms.protocol("triangle").p_correct(theta)
    density = np.exp(-0.5 * (mu / 1.5) ** 2 - 0.5 * (tau / 0.5) ** 2)
    for x in TABLE["correct"]:
        density *= binom.pmf(x, 24, p) @ weights
    mean = (density * (theta @ weights / weights.sum())).sum() / density.sum()
    assert with_told(pooled.core, 0.2).mean == pytest.approx(mean, abs=0.01)


def test_the_more_knew_the_less_there_is_to_taste(pooled):
    assert pooled.leak().to_frame()["median"].is_monotonic_decreasing


def test_the_verdict_is_another_just_beyond_the_turning_share_and_not_just_before(pooled):
    share, after = pooled.leak().turning
    assert pooled.verdict() == "beyond the margin" and after == "not settled"
    assert Verdict.of(with_told(pooled.core, share - 0.004), pooled.margin) == "beyond the margin"
    assert Verdict.of(with_told(pooled.core, share + 0.004), pooled.margin) == after


def test_not_settled_becomes_within():
    found = ms.pool(TABLE | {"correct": [10, 11, 9]}, margin="d'=1.3").leak()
    assert found.to_frame()["verdict"].iloc[0] == "not settled"
    assert found.turning[1] == "within the margin"
    assert "the verdict would be within the margin" in found.sentence()


def test_within_stays_within():
    found = ms.pool(TABLE | {"correct": [8, 7, 9]}, margin="d'=2").leak()
    assert found.turning is None and "stays up to 30 %" in found.sentence()


def test_without_a_margin_there_is_no_turning():
    found = ms.pool(TABLE).leak()
    assert found.turning is None and "verdict" not in found.sentence()


def test_told_repeat_tasters_are_right_each_time():
    rows = [
        {"panel": "A", "protocol": "triangle", "taster": f"T{i}", "correct": int(i < 2 or i % 3 == trial)}
        for i in range(10)
        for trial in range(3)
    ]
    found = ms.pool(ms.read_tastings(rows)).leak((0, 0.2))
    assert found.to_frame()["median"].is_monotonic_decreasing


def test_panels_with_two_counts_are_taken_as_they_are():
    two = {"panel": "D", "protocol": "A-not-A", "signal": 20, "hits": 14, "noise": 20, "false_alarms": 8}
    rows = [dict(zip(TABLE, row, strict=True)) for row in zip("AB", ["triangle"] * 2, [24] * 2, [13, 14], strict=True)]
    assert Leak.of(ms.pool([*rows, two]).core, shares=(0, 0.1)).left_out == 1
    with pytest.raises(ValueError, match="A-not-A or same-different"):
        ms.pool([two]).leak()


@pytest.mark.parametrize("shares", [(), (1.0,), (-0.1,)])
def test_shares_out_of_range_are_refused(pooled, shares):
    with pytest.raises(ValueError, match="from 0 to less than 1"):
        pooled.leak(shares)


def test_its_words_are_ours(pooled):
    for text in (pooled.leak().sentence(), *pooled.leak().caveats()):
        assert banned(text) == []


def test_the_figure_marks_each_share_that_was_asked_about(pooled):
    from matplotlib.figure import Figure

    axes = pooled.leak((0, 0.1, 0.25)).plot(ax=Figure())
    assert axes.get_xticks().tolist() == [0, 0.1, 0.25]
    assert [label.get_text() for label in axes.get_xticklabels()] == ["0 %", "10 %", "25 %"]


def test_the_page_says_what_tasters_who_knew_could_do_and_leaves_it_out_where_it_cannot_be_asked(pooled):
    share = words.percent(pooled.leak().turning[0])
    said = [text for text in changes(pooled.core) if "knew the answer by other means" in text]
    assert len(said) == 1 and f" If about {share} of the tasters or more knew" in said[0]
    assert said[0].endswith("the verdict would be not settled.")
    assert not any("by other means" in text for text in changes(ms.pool(TABLE).core))  # no verdict without a margin
    two = {"panel": "D", "protocol": "A-not-A", "signal": 20, "hits": 14, "noise": 20, "false_alarms": 8}
    assert not any("by other means" in text for text in changes(ms.pool([two]).core))


def test_the_usual_shares_run_in_twentieths_to_three_tenths_and_others_are_taken_as_asked(pooled):
    frame = pooled.leak().to_frame()
    assert frame["told"].tolist() == [0, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3] and (frame["prob"] == 0.95).all()
    assert frame["case"].tolist() == ["0 %", "5 %", "10 %", "15 %", "20 %", "25 %", "30 %"]
    other = Leak.of(pooled.core, shares=(0.2, 0.1), prob=0.8)
    assert (other.what_if["prob"] == 0.8).all() and other.what_if["told"].tolist() == [0.2, 0.1]
    row, average = other.what_if.iloc[0], with_told(pooled.core, 0.2)
    assert (row["lower"], row["upper"]) == average.interval(0.8)


FAR = "beyond the margin"


def made(*rows, **more):
    """A what-if whose numbers are made up: shares that knew, and medians of the others."""
    frame = pd.DataFrame(rows, columns=["told", "median"]).assign(case="", prob=0.95, verdict=FAR, lower=0.1, upper=2.0)
    usual = {"turning": None, "margin": None}
    return Leak(frame.assign(kind="equal-tailed", p_above=0.97, p_below=0.03), **(usual | more))


def test_the_fewest_and_the_most_who_knew_are_compared_in_whatever_order_they_were_asked():
    said = made((0.3, 0.8), (0.0, 1.25), (0.1, 1.1)).sentence()
    assert said == (
        "If nobody knew the answer by other means, the median of the average d-prime is 1.25; if 30 % of the tasters "
        "did, it is 0.80 for the others."
    )
    assert made((0.2, 0.9)).sentence() == (
        "If 20 % knew the answer by other means, the median of the average d-prime is 0.90."
    )
    assert made((0, 1.2), (0.3, 1.1), margin=0.5).sentence().endswith(f". The verdict, {FAR}, stays up to 30 %.")
    turned = made((0, 1.2), (0.3, 1.1), margin=0.5, turning=(0.12, "not settled"), as_new="People are new here.")
    assert turned.sentence().endswith("From about 12 % on, the verdict would be not settled. People are new here.")
    assert turned._alt("", {}) == f"{Leak._depicts} {turned.sentence()}"


def test_panels_left_as_they_are_are_counted_and_verdicts_shown_with_a_margin_only():
    assert made((0, 1)).caveats()[0].endswith("with codes, is better than any such correction.")
    assert made((0, 1), left_out=2).caveats()[0].endswith(" 2 panels with two counts enter as they are.")
    assert "P(above margin)" not in repr(made((0, 1))) and "P(above margin)" in repr(made((0, 1), margin=0.5))
    assert made((0, 1), (0.2, 0.9)).plot().get_ylim()[0] == 0
